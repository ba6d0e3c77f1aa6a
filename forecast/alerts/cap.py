"""An alert as partners' machines read it: one document of the Common Alerting Protocol 1.2.

It holds the approved words, dates and odds, and never a count: neither visits nor recipients.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import date, datetime, time, timedelta
from typing import Any
from urllib.parse import urlsplit
from xml.etree import ElementTree
from zoneinfo import ZoneInfo

from forecast.alerts import messages
from forecast.alerts.cap_rules import NAMESPACE, broken_rules
from forecast.alerts.catalogues import language
from forecast.alerts.deciding import OVER
from forecast.alerts.mails import parts_of
from forecast.alerts.outbox import ALERT, WITHDRAWAL
from forecast.alerts.owner_mail import Part
from forecast.practice import Practice
from forecast.records.alert_texts import texts
from forecast.records.alerts import Alert
from forecast.records.engine import Records
from forecast.regions import Region, regions
from models.errors import ForepawError
from models.parameters import load_table
from models.weeks import DAYS_IN_WEEK

GEOCODE = "forepaw:region"  # names the practice's own ids of regions
_DIGITS = 5  # of a coordinate: a metre


class CapError(ForepawError):
    """An alert cannot be told to partners."""


def cap_document(practice: Practice, records: Records, alert: Alert, news: str) -> bytes:
    """Return an alert, or its withdrawal, as a CAP document that keeps the standard's rules.

    Raises
    ------
    CapError
        If it was not sent, or the document would break a rule.
    """
    if alert.sent_at is None:
        raise CapError(f"alert {alert.id} was asked for as CAP; it was not sent, so there is none")
    region = regions(practice)[alert.region_id]
    root = ElementTree.Element("alert", {"xmlns": NAMESPACE})
    for name, text in _head(practice, alert, news, region):
        _add(root, name, text)
    held = texts(records, alert.id)
    for part in parts_of(practice, records, alert, news):
        info = ElementTree.SubElement(root, "info")
        blocks = held[part.language].blocks if news == ALERT else ""
        for name, text in _info(practice, alert, news, region, part, blocks):
            _add(info, name, text)
        _add_odds(info, alert, news)
        _add_area(info, practice, region)
    document: bytes = ElementTree.tostring(root, encoding="utf-8", xml_declaration=True)
    if broken := broken_rules(document):
        raise CapError(f"alert {alert.id} as CAP would break rules: {'; '.join(broken)}")
    return document


def cap_identifier(alert: Alert, news: str) -> str:
    """Return the identifier of a document, which no other of this sender has."""
    return f"{alert.id}-{news}"


def cap_sender(practice: Practice) -> str:
    """Return who sends: the address of alerts, or the host of the pages."""
    mail, public = practice.settings.alerts.mail, practice.settings.pages.public_address
    if mail is not None:
        return mail.sender
    return urlsplit(public).hostname or "" if public else "forepaw.invalid"


def _head(practice: Practice, alert: Alert, news: str, region: Region) -> Iterator[tuple[str, str]]:
    assert alert.sent_at is not None
    zone, sender = ZoneInfo(region.time_zone), cap_sender(practice)
    sent = _moment(alert.sent_at.astimezone(zone))
    yield "identifier", cap_identifier(alert, news)
    yield "sender", sender
    withdrawn = alert.withdrawn_at or alert.sent_at
    yield "sent", _moment(withdrawn.astimezone(zone)) if news == WITHDRAWAL else sent
    yield "status", "Test" if practice.settings.practice.invented else "Actual"
    yield "msgType", "Cancel" if news == WITHDRAWAL else "Alert"
    yield "scope", "Public"
    if news == WITHDRAWAL:
        yield "note", messages.WITHDRAWN_NOTE
        yield "references", f"{sender},{cap_identifier(alert, ALERT)},{sent}"


def _info(
    practice: Practice, alert: Alert, news: str, region: Region, part: Part, blocks: str
) -> Iterator[tuple[str, str]]:
    zone, is_over = ZoneInfo(region.time_zone), alert.kind == OVER
    yield "language", part.language
    yield "category", "Health"
    yield "event", language(part.language).say(messages.EVENT)
    response = "None" if news == WITHDRAWAL else "Monitor" if is_over else "Prepare"
    yield "responseType", response
    yield "urgency", "Unknown" if news == WITHDRAWAL else "Future"
    yield "severity", "Minor"
    yield "certainty", "Unknown" if news == WITHDRAWAL else _certainty(alert.told_odds[0])
    yield "onset", _moment(_midnight(alert.first_week, zone))
    end = alert.last_week + timedelta(days=DAYS_IN_WEEK)
    yield "expires", _moment(_midnight(_after(end, practice, alert, news), zone))
    yield "senderName", practice.settings.practice.name
    yield "headline", part.subject
    yield "description", part.text.removesuffix(f"{blocks.strip()}\n").strip()
    if blocks:
        yield "instruction", blocks.strip()


def _after(end: date, practice: Practice, alert: Alert, news: str) -> date:
    """Return when a document holds no more: a late withdrawal outlives what it withdraws."""
    if news != WITHDRAWAL or alert.withdrawn_at is None:
        return end
    return max(end, practice.day_of(alert.withdrawn_at) + timedelta(days=2))


def _certainty(odds: float | None) -> str:
    """Return the standard's word for odds: likely above even ones, possible up to them."""
    if odds is None:
        return "Unknown"
    table = load_table("forecast.alerts", "delivery.toml")
    if odds > table.number("cap.likely"):
        return "Likely"
    return "Possible" if odds > table.number("cap.unlikely") else "Unlikely"


def _add_odds(info: ElementTree.Element, alert: Alert, news: str) -> None:
    if news == WITHDRAWAL:
        return
    names = ("odds of a high week", "usual odds of a high week")
    for name, odds in zip(names, alert.told_odds, strict=True):
        if odds is not None:
            parameter = ElementTree.SubElement(info, "parameter")
            _add(parameter, "valueName", name)
            _add(parameter, "value", f"{odds:.2f}")


def _add_area(info: ElementTree.Element, practice: Practice, region: Region) -> None:
    area = ElementTree.SubElement(info, "area")
    _add(area, "areaDesc", region.name)
    for polygon in _polygons(practice, region):
        _add(area, "polygon", polygon)
    geocode = ElementTree.SubElement(area, "geocode")
    _add(geocode, "valueName", GEOCODE)
    _add(geocode, "value", region.id)


def _polygons(practice: Practice, region: Region) -> Iterator[str]:
    """Yield the outer rings of a region's outline, latitude first; none where it has no outline.

    A hole cannot be told in CAP; it is left out, so that the area is told too large, not too small.
    """
    if region.area is None:
        return
    tree = json.loads((practice.folder / region.area).read_text(encoding="utf-8"))
    for feature in tree.get("features", [tree]):
        geometry: dict[str, Any] = feature.get("geometry") or feature
        polygons = geometry["coordinates"]
        for polygon in [polygons] if geometry["type"] == "Polygon" else polygons:
            ring = [*polygon[0], *([] if polygon[0][0] == polygon[0][-1] else polygon[0][:1])]
            yield " ".join(f"{lat:.{_DIGITS}f},{lon:.{_DIGITS}f}" for lon, lat, *_ in ring)


def _midnight(day: date, zone: ZoneInfo) -> datetime:
    return datetime.combine(day, time(), zone)


def _moment(moment: datetime) -> str:
    """Return a moment as CAP writes it: whole seconds, an offset, UTC as -00:00."""
    text = moment.replace(microsecond=0).isoformat()
    return f"{text[:-6]}-00:00" if text.endswith("+00:00") else text


def _add(parent: ElementTree.Element, name: str, text: str) -> None:
    plain = "".join(sign for sign in text if sign in "\n\t" or sign.isprintable())
    ElementTree.SubElement(parent, name).text = plain
