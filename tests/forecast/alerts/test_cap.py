"""CAP 1.2 and Atom: documents that keep the standards' rules, and a check that sees what does not.

The rules are those of the OASIS standard of 1 July 2010 and of RFC 4287, written here once more
from their words, a broken document a rule.
"""

from __future__ import annotations

import json
import re
from datetime import date
from xml.etree import ElementTree

import pytest
from alert_world import add_approved, make_practice, opened, settings

from forecast.alerts.cap import cap_document
from forecast.alerts.cap_rules import NAMESPACE, broken_rules
from forecast.alerts.feed import ATOM, atom_feed
from forecast.alerts.sending import send_off, withdraw_alert
from forecast.records.alerts import alert
from models.errors import ForepawError

# The example of the facts on the standard that this project keeps, which is a valid document.
VALID = f"""<?xml version="1.0" encoding="UTF-8"?>
<alert xmlns="{NAMESPACE}">
<identifier>example-2026-W17-1</identifier><sender>allergen@practice.example</sender>
<sent>2026-04-14T08:00:00-00:00</sent><status>Test</status><msgType>Alert</msgType>
<scope>Public</scope>
<info><language>en-GB</language><category>Health</category><event>High birch exposure week</event>
<responseType>Prepare</responseType><urgency>Future</urgency><severity>Moderate</severity>
<certainty>Likely</certainty><onset>2026-04-20T00:00:00+02:00</onset>
<expires>2026-04-27T00:00:00+02:00</expires><headline>Week 17</headline>
<area><areaDesc>Canton</areaDesc><polygon>47.2,8.4 47.2,8.9 47.6,8.9 47.6,8.4 47.2,8.4</polygon>
<geocode><valueName>ISO3166-2</valueName><value>CH-ZH</value></geocode></area></info></alert>"""
# What is put in the place of what, and a word of the rule that it breaks.
BROKEN = [
    ("<scope>Public</scope>", "", "scope is missing"),
    ("<status>Test</status>", "<status>test</status>", "status is 'test'"),
    ("-00:00</sent>", "Z</sent>", "sent is"),
    ("08:00:00-00:00", "08:00:00.5-00:00", "sent is"),
    ("08:00:00-00:00", "25:00:00-00:00", "no such day or hour"),
    ("2026-04-27T", "2026-04-13T", "not after it was sent"),
    ("allergen@practice.example", "an allergen", "sender is"),
    ("example-2026-W17-1", "a,b", "identifier is"),
    (" 47.2,8.4</polygon>", "</polygon>", "polygon is"),
    ("47.2,8.4 47.2,8.9", "97.2,8.4 47.2,8.9", "polygon is"),
    ("<language>en-GB</language>", "<language>en GB</language>", "language is"),
    ("<urgency>Future</urgency>", "", "urgency is missing"),
    ("<urgency>Future</urgency><severity>Moderate</severity>",
     "<severity>Moderate</severity><urgency>Future</urgency>", "stands too late"),
    ("<areaDesc>Canton</areaDesc>", "", "areaDesc is missing"),
    ("<certainty>Likely", "<certainty>VeryLikely", "certainty is 'VeryLikely'"),
    ("<msgType>Alert", "<msgType>Cancel", "references is missing"),
    ("<scope>Public", "<scope>Private", "addresses is missing"),
    ("<scope>Public", "<scope>Restricted", "restriction is missing"),
    ("</geocode>", "</geocode><ceiling>5</ceiling>", "without altitude"),
    ("<value>CH-ZH</value>", "", "value is missing"),
    ("<headline>", "<headline x='1'>", "attributes"),
    ("</identifier>", "</identifier><identifier>b</identifier>", "stands 2 times"),
    ("<headline>Week 17</headline>", "<title>x</title>", "does not know"),
    ("</alert>", "", "not well-formed"),
    (f'xmlns="{NAMESPACE}"', 'xmlns="urn:oasis:names:tc:emergency:cap:1.1"', "its root is"),
    ("<alert ", '<!DOCTYPE a [<!ENTITY b "c">]><alert ', "document type"),
]  # fmt: skip


def parsed(document: bytes) -> ElementTree.Element:
    return ElementTree.fromstring(document)  # noqa: S314 - our own


def test_a_valid_document_breaks_no_rule():
    """Else the check would say nothing."""
    assert broken_rules(VALID.encode()) == []


@pytest.mark.parametrize(("old", "new", "words"), BROKEN, ids=lambda one: str(one)[:30])
def test_a_broken_document_is_told_by_its_rule(old, new, words):
    """A document for each rule, with that one broken."""
    assert old in VALID
    found = broken_rules(VALID.replace(old, new).encode())
    assert any(words in sentence for sentence in found), found


@pytest.fixture(scope="module")
def told(tmp_path_factory):
    """Give a practice with an outline; its alert in two languages was sent and withdrawn."""
    folder = tmp_path_factory.mktemp("cap") / "practice"
    text = settings(more="feed = true").replace(
        'allergens = ["grasses"]', 'allergens = ["grasses"]\narea = "north.geojson"'
    )
    practice = make_practice(folder, text)
    ring = [[8.4, 47.2], [8.9, 47.2], [8.9, 47.6], [8.4, 47.6], [8.4, 47.2]]
    hole = [[8.5, 47.3], [8.6, 47.3], [8.6, 47.4], [8.5, 47.3]]
    outline = {"type": "MultiPolygon", "coordinates": [[ring, hole], [ring]]}
    (folder / "north.geojson").write_text(json.dumps(outline), encoding="utf-8")
    records = opened(practice)
    add_approved(records, languages=("en", "de"))
    send_off(practice, records, "a1", by=None)
    withdraw_alert(practice, records, "a1", why="wrong", by=None)
    yield practice, records
    records.close()


def test_an_alert_is_a_valid_document(told):
    """In both languages, latitude first, UTC never as Z, odds as they are and no count."""
    practice, records = told
    document = cap_document(practice, records, alert(records, "a1"), "alert")
    assert broken_rules(document) == []
    root = parsed(document)
    text = {one.tag.rpartition("}")[2]: one.text for one in root}
    assert (text["msgType"], text["status"], text["scope"]) == ("Alert", "Actual", "Public")
    assert text["sent"] == "2026-04-14T11:00:00+02:00"
    infos = root.findall(f"{{{NAMESPACE}}}info")
    assert [info.findtext(f"{{{NAMESPACE}}}language") for info in infos] == ["en", "de"]
    first = infos[0]
    assert first.findtext(f"{{{NAMESPACE}}}certainty") == "Possible"  # four in ten
    assert first.findtext(f"{{{NAMESPACE}}}onset") == "2026-04-20T00:00:00+02:00"
    assert first.findtext(f"{{{NAMESPACE}}}expires") == "2026-05-04T00:00:00+02:00"
    polygons = [one.text for one in first.iter(f"{{{NAMESPACE}}}polygon")]
    assert polygons[0].startswith("47.20000,8.40000 47.20000,8.90000")
    assert len(polygons) == 2
    values = [
        one.findtext(f"{{{NAMESPACE}}}value") for one in first.iter(f"{{{NAMESPACE}}}parameter")
    ]
    assert values == ["0.40", "0.20"]


def test_a_withdrawal_refers_to_what_it_cancels(told):
    """By sender, identifier and moment, as the alert has them."""
    practice, records = told
    document = cap_document(practice, records, alert(records, "a1"), "withdrawal")
    assert broken_rules(document) == []
    root = parsed(document)
    assert root.findtext(f"{{{NAMESPACE}}}msgType") == "Cancel"
    sender = root.findtext(f"{{{NAMESPACE}}}sender")
    assert root.findtext(f"{{{NAMESPACE}}}references") == (
        f"{sender},a1-alert,2026-04-14T11:00:00+02:00"
    )


def test_the_feed_leads_to_each_document(told):
    """RFC 4287: id, title and updated in feed and entry, moments in UTC; the newest first."""
    practice, records = told
    root = parsed(atom_feed(practice, records, public="https://p.example"))
    assert root.tag == f"{{{ATOM}}}feed"
    for one in (root, *root.findall(f"{{{ATOM}}}entry")):
        for name in ("id", "title", "updated"):
            assert one.findtext(f"{{{ATOM}}}{name}"), name
        assert one.get("{http://www.w3.org/XML/1998/namespace}lang") == "en"
        stamp = one.findtext(f"{{{ATOM}}}updated")
        assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ", stamp)
    assert root.findtext(f"{{{ATOM}}}author/{{{ATOM}}}name") == "Praxis am See"
    links = [
        one.get("href") for one in root.iter(f"{{{ATOM}}}link") if one.get("rel") == "alternate"
    ]
    assert sorted(links) == [
        "https://p.example/alerts/cap/a1-alert.xml",
        "https://p.example/alerts/cap/a1-withdrawal.xml",
    ]
    ids = [one.text for one in root.iter(f"{{{ATOM}}}id")]
    assert len(set(ids)) == 3


def test_an_alert_that_was_not_sent_is_no_document(tmp_path):
    """Nor one whose weeks are over when it is sent."""
    practice = make_practice(tmp_path / "practice", settings())
    records = opened(practice)
    made = add_approved(records)
    with pytest.raises(ForepawError, match="was not sent"):
        cap_document(practice, records, made, "alert")
    records.close()


@pytest.mark.parametrize("skill", ["not known", "not shown"])
def test_partners_are_told_no_odds_where_owners_are_told_none(tmp_path, skill):
    """Of forecasts not known to be better than past years; how likely it is, is Unknown."""
    practice = make_practice(tmp_path / "practice", settings())
    records = opened(practice)
    add_approved(records, odds=0.9, skill=skill)
    send_off(practice, records, "a1", by=None)
    made = alert(records, "a1")
    assert (made.odds, made.told_odds) == (0.9, (None, None))
    document = cap_document(practice, records, made, "alert").decode()
    assert "<certainty>Unknown</certainty>" in document
    assert "<parameter>" not in document
    assert "0.9" not in document
    records.close()


def test_utc_is_written_with_an_offset(tmp_path):
    """As -00:00, where a region's own time is that."""
    zones = (("north", "UTC"),)
    practice = make_practice(tmp_path / "practice", settings(regions=zones))
    records = opened(practice)
    add_approved(records, odds=0.6, first_week=date(2026, 4, 20))
    send_off(practice, records, "a1", by=None)
    document = cap_document(practice, records, alert(records, "a1"), "alert").decode()
    assert "<sent>2026-04-14T09:00:00-00:00</sent>" in document
    assert "<certainty>Likely</certainty>" in document
    records.close()
