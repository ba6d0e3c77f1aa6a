"""The feed of alerts for partners (Atom, RFC 4287): an entry an alert, and one its withdrawal.

Each entry leads to its CAP document. It tells what every owner was told, and no count of anything.
"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Final
from xml.etree import ElementTree

from forecast.alerts.cap import cap_identifier, cap_sender
from forecast.alerts.cap_rules import MEDIA_TYPE
from forecast.alerts.mails import parts_of
from forecast.alerts.outbox import ALERT, WITHDRAWAL
from forecast.practice import Practice
from forecast.records.alerts import Alert, alerts
from forecast.records.engine import Records
from forecast.regions import regions
from models.parameters import load_table

ATOM: Final = "http://www.w3.org/2005/Atom"
FEED_PATH: Final = "/alerts/feed.atom"
FEED_MEDIA_TYPE: Final = "application/atom+xml"


def told_alerts(practice: Practice, records: Records) -> list[tuple[Alert, str]]:
    """Return alerts that were sent, and their withdrawals, what came last first.

    Those of a region that practice.toml no longer has are left out: nothing tells where it is.
    """
    found, places = [], regions(practice)
    for alert in alerts(records):
        if alert.sent_at is not None and alert.region_id in places:
            found.append((alert, ALERT))
            if alert.withdrawn_at is not None:
                found.append((alert, WITHDRAWAL))
    newest = int(load_table("forecast.alerts", "delivery.toml").number("feed.newest"))
    return sorted(found, key=lambda one: told_at(*one), reverse=True)[:newest]


def told_at(alert: Alert, news: str) -> datetime:
    """Return when an alert, or its withdrawal, was told."""
    moment = alert.withdrawn_at if news == WITHDRAWAL else alert.sent_at
    assert moment is not None
    return moment


def cap_path(alert: Alert, news: str) -> str:
    """Return the address of a CAP document behind that of the pages."""
    return f"/alerts/cap/{cap_identifier(alert, news)}.xml"


def atom_feed(practice: Practice, records: Records, *, public: str) -> bytes:
    """Return the feed; `public` is the address of the pages, which its links begin with.

    An invented practice says so in its title.
    """
    told, sender = told_alerts(practice, records), cap_sender(practice)
    section = practice.settings.practice
    root = ElementTree.Element("feed", {"xmlns": ATOM, "xml:lang": section.language})
    _add(root, "id", f"tag:{sender.rpartition('@')[2]},2026:alerts")  # RFC 4151
    _add(root, "title", f"{section.name}{' (invented practice)' if section.invented else ''}")
    _add(root, "updated", _moment(told_at(*told[0]) if told else practice.now))
    author = ElementTree.SubElement(root, "author")
    _add(author, "name", section.name)
    _link(root, "self", f"{public}{FEED_PATH}", FEED_MEDIA_TYPE)
    for alert, news in told:
        part = parts_of(practice, records, alert, news)[0]
        entry = ElementTree.SubElement(root, "entry", {"xml:lang": part.language})
        domain = sender.rpartition("@")[2]
        _add(entry, "id", f"tag:{domain},2026:{cap_identifier(alert, news)}")
        _add(entry, "title", part.subject)
        _add(entry, "updated", _moment(told_at(alert, news)))
        _link(entry, "alternate", f"{public}{cap_path(alert, news)}", MEDIA_TYPE)
        _add(entry, "summary", part.text)
    document: bytes = ElementTree.tostring(root, encoding="utf-8", xml_declaration=True)
    return document


def _link(parent: ElementTree.Element, relation: str, address: str, media_type: str) -> None:
    ElementTree.SubElement(parent, "link", {"rel": relation, "href": address, "type": media_type})


def _moment(moment: datetime) -> str:
    return moment.astimezone(UTC).replace(microsecond=0).isoformat().replace("+00:00", "Z")


def _add(parent: ElementTree.Element, name: str, text: str) -> None:
    plain = "".join(sign for sign in text if sign in "\n\t" or sign.isprintable())
    ElementTree.SubElement(parent, name).text = plain
