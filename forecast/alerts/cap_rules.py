"""Whether a document keeps the rules of the Common Alerting Protocol 1.2 (OASIS, 1 July 2010).

The standard's schema is here as tables: which elements there are, in which order, how often, with
which words. What its prose asks beyond the schema is looked at too. A document that breaks a rule
is not given to anybody.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from xml.etree import ElementTree

NAMESPACE = "urn:oasis:names:tc:emergency:cap:1.2"
MEDIA_TYPE = "application/cap+xml"
_Element = ElementTree.Element
_MOMENT = re.compile(r"^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d[+-]\d\d:\d\d$")
_LANGUAGE = re.compile(r"^[a-zA-Z]{1,8}(-[a-zA-Z0-9]{1,8})*$")  # xs:language
_NOT_IN_NAMES = re.compile(r"[\s,<&]")  # of an identifier or a sender (section 3.2.1)
_DECIMAL = re.compile(r"^[+-]?(\d+(\.\d*)?|\.\d+)$")
_NUMBER = r"[+-]?\d+(?:\.\d+)?"
_POINT = re.compile(rf"^({_NUMBER}),({_NUMBER})$")
_CLOSED_RING = 4  # points at least, the first and the last the same
_SIGNATURE = "{http://www.w3.org/2000/09/xmldsig#}Signature"


@dataclass(frozen=True)
class Rule:
    """How often an element may stand, and what it holds: text, words, a moment, or elements."""

    name: str
    least: int = 0
    most: int | None = 1
    words: frozenset[str] | None = None
    kind: str = "text"


def _words(text: str) -> frozenset[str]:
    return frozenset(text.split())


_PAIR = (Rule("valueName", 1), Rule("value", 1))
_RULES: dict[str, tuple[Rule, ...]] = {
    "alert": (
        Rule("identifier", 1),
        Rule("sender", 1),
        Rule("sent", 1, kind="moment"),
        Rule("status", 1, words=_words("Actual Exercise System Test Draft")),
        Rule("msgType", 1, words=_words("Alert Update Cancel Ack Error")),
        Rule("source"),
        Rule("scope", 1, words=_words("Public Restricted Private")),
        Rule("restriction"),
        Rule("addresses"),
        Rule("code", most=None),
        Rule("note"),
        Rule("references"),
        Rule("incidents"),
        Rule("info", most=None, kind="elements"),
    ),
    "info": (
        Rule("language", kind="language"),
        Rule(
            "category",
            1,
            None,
            _words("Geo Met Safety Security Rescue Fire Health Env Transport Infra CBRNE Other"),
        ),
        Rule("event", 1),
        Rule(
            "responseType",
            0,
            None,
            _words("Shelter Evacuate Prepare Execute Avoid Monitor Assess AllClear None"),
        ),
        Rule("urgency", 1, words=_words("Immediate Expected Future Past Unknown")),
        Rule("severity", 1, words=_words("Extreme Severe Moderate Minor Unknown")),
        Rule("certainty", 1, words=_words("Observed Likely Possible Unlikely Unknown")),
        Rule("audience"),
        Rule("eventCode", most=None, kind="elements"),
        Rule("effective", kind="moment"),
        Rule("onset", kind="moment"),
        Rule("expires", kind="moment"),
        *(Rule(one) for one in ("senderName", "headline", "description", "instruction")),
        Rule("web", kind="address"),
        Rule("contact"),
        Rule("parameter", most=None, kind="elements"),
        Rule("resource", most=None, kind="elements"),
        Rule("area", most=None, kind="elements"),
    ),
    "eventCode": _PAIR,
    "parameter": _PAIR,
    "geocode": _PAIR,
    "resource": (
        *(Rule("resourceDesc", 1), Rule("mimeType", 1), Rule("size", kind="size")),
        *(Rule("uri", kind="address"), Rule("derefUri"), Rule("digest")),
    ),
    "area": (
        Rule("areaDesc", 1),
        Rule("polygon", most=None, kind="polygon"),
        Rule("circle", most=None, kind="circle"),
        Rule("geocode", most=None, kind="elements"),
        Rule("altitude", kind="decimal"),
        Rule("ceiling", kind="decimal"),
    ),
}


def broken_rules(document: bytes) -> list[str]:
    """Return a sentence for each rule that a CAP document breaks; none: it keeps them all.

    A document type, which could make a reader fetch or expand what it names, is a broken rule too.
    """
    if b"<!DOCTYPE" in document or b"<!ENTITY" in document:
        return ["it has a document type, which no alert needs"]
    try:
        root = ElementTree.fromstring(document)  # noqa: S314 - no document type, see above
    except ElementTree.ParseError as error:
        return [f"it is not well-formed XML: {error}"]
    if root.tag != _tag("alert"):
        return [f"its root is {root.tag}, not alert of {NAMESPACE}"]
    return [*_elements(root, "alert"), *_prose(root)]


# ------------------------------------------------------------------------------ the schema
def _elements(parent: _Element, name: str) -> Iterator[str]:
    """Tell what of an element's content breaks the schema: order, number, words, forms."""
    if (parent.text or "").strip() or any((child.tail or "").strip() for child in parent):
        yield f"{name} holds text beside its elements"
    rules = {_tag(rule.name): (place, rule) for place, rule in enumerate(_RULES[name])}
    last, counted = 0, dict.fromkeys(rules, 0)
    for child in parent:
        if child.tag == _SIGNATURE and name == "alert":
            last = len(rules)
            continue
        if child.tag not in rules:
            yield f"{name} holds {child.tag}, which the standard does not know there"
            continue
        place, rule = rules[child.tag]
        counted[child.tag] += 1
        if place < last:
            yield f"{rule.name} stands too late in {name}"
        last = max(last, place)
        if child.attrib:
            yield f"{rule.name} has attributes"
        yield from _content(child, rule)
    for tag, n in counted.items():
        rule = rules[tag][1]
        if n < rule.least:
            yield f"{rule.name} is missing in {name}"
        if rule.most is not None and n > rule.most:
            yield f"{rule.name} stands {n} times in {name}"


def _content(element: _Element, rule: Rule) -> Iterator[str]:
    if rule.kind == "elements":
        yield from _elements(element, rule.name)
        return
    if len(element):
        yield f"{rule.name} holds elements"
    text = element.text or ""
    if rule.words is not None and text not in rule.words:
        yield f"{rule.name} is {text!r}; allowed are {', '.join(sorted(rule.words))}"
    look = _FORMS.get(rule.kind)
    if look is not None and (wrong := look(text)):
        yield f"{rule.name} is {text!r}; {wrong}"


def _moment(text: str) -> str | None:
    if _MOMENT.match(text) is None:
        return "a moment such as 2026-04-14T08:00:00+02:00 is asked, without Z and fractions"
    try:
        datetime.fromisoformat(text)
    except ValueError:
        return "there is no such day or hour"
    return None


def _language(text: str) -> str | None:
    return None if _LANGUAGE.match(text) else "a code of a language such as de is asked"


def _decimal(text: str) -> str | None:
    return None if _DECIMAL.match(text) else "a number is asked"


def _size(text: str) -> str | None:
    return None if text.isascii() and text.isdigit() else "a whole number of bytes is asked"


def _address(text: str) -> str | None:
    is_one = bool(text) and text.isprintable() and not re.search(r'[\s<>"{}|\\^`]', text)
    return None if is_one else "an address is asked"


def _point(text: str) -> tuple[float, float] | None:
    found = _POINT.match(text)
    if found is None:
        return None
    latitude, longitude = float(found[1]), float(found[2])
    return (latitude, longitude) if abs(latitude) <= 90 and abs(longitude) <= 180 else None


def _polygon(text: str) -> str | None:
    points = [_point(part) for part in text.split()]
    if len(points) < _CLOSED_RING or None in points or points[0] != points[-1]:
        return "four points or more are asked, latitude first, the last the same as the first"
    return None


def _circle(text: str) -> str | None:
    point, _, radius = text.partition(" ")
    if _point(point) is None or _DECIMAL.match(radius) is None or float(radius) < 0:
        return "a point, latitude first, and a radius in kilometres are asked"
    return None


_FORMS = {
    "moment": _moment,
    "language": _language,
    "decimal": _decimal,
    "size": _size,
    "address": _address,
    "polygon": _polygon,
    "circle": _circle,
}


# ------------------------------------------------------------------------------ the prose
def _prose(root: _Element) -> Iterator[str]:
    """Tell what the standard's words ask and its schema cannot."""
    for name in ("identifier", "sender"):
        text = _text(root, name)
        if not text or _NOT_IN_NAMES.search(text):
            yield f"{name} is {text!r}; it must have no blanks, commas, < or &"
    scope = _text(root, "scope")
    for asked, needed in (("Restricted", "restriction"), ("Private", "addresses")):
        if scope == asked and not _text(root, needed):
            yield f"{needed} is missing, as the scope is {asked}"
        if scope != asked and asked == "Restricted" and _text(root, needed):
            yield f"{needed} stands there and the scope is {scope}"
    yield from _references(root)
    for info in root.findall(_tag("info")):
        sent, expires = _text(root, "sent"), _text(info, "expires")
        if expires and not _moment(expires) and not _moment(sent) and not _is_before(sent, expires):
            yield f"expires is {expires}, which is not after it was sent"
        for area in info.findall(_tag("area")):
            if _text(area, "ceiling") and not _text(area, "altitude"):
                yield "ceiling stands there without altitude"


def _references(root: _Element) -> Iterator[str]:
    told = _text(root, "references")
    if not told and _text(root, "msgType") in ("Update", "Cancel", "Ack", "Error"):
        yield f"references is missing, as the message is of type {_text(root, 'msgType')}"
    for triple in told.split():
        parts = triple.split(",")
        if len(parts) != 3 or not all(parts) or _moment(parts[2]):
            yield f"references holds {triple!r}; sender,identifier,sent is asked"


def _is_before(first: str, second: str) -> bool:
    return datetime.fromisoformat(first) < datetime.fromisoformat(second)


def _text(parent: _Element, name: str) -> str:
    return parent.findtext(_tag(name)) or ""


def _tag(name: str) -> str:
    return f"{{{NAMESPACE}}}{name}"
