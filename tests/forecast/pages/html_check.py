"""What a page's HTML must keep to, by the standard library's parser."""

from __future__ import annotations

from html.parser import HTMLParser

VOID = {"area", "br", "col", "hr", "img", "input", "link", "meta", "source", "wbr"}
_HIDDEN = {"script", "style", "head", "title"}


class _Reader(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.faults: list[str] = []
        self.open: list[str] = []
        self.ids: list[str] = []
        self.words: list[str] = []
        self.labelled: set[str] = set()
        self.fields: list[str] = []
        self.references: list[str] = []

    def handle_starttag(self, tag, attrs):
        given = dict(attrs)
        self.faults += [f"{tag} twice says {name}" for name in given if _count(attrs, name) > 1]
        self.faults += [f"{tag} has {n}" for n in given if n == "style" or n.startswith("on")]
        if tag == "script" and not given.get("src"):
            self.faults.append("a script of the page itself")
        if tag == "style":
            self.faults.append("a style of the page itself")
        if tag == "img" and "alt" not in given:
            self.faults.append("a picture without words")
        if given.get("id"):
            self.ids.append(given["id"])
        if tag == "label" and given.get("for"):
            self.labelled.add(given["for"])
        if tag in ("input", "select", "textarea") and given.get("type") not in ("hidden", "submit"):
            self.fields.append(given.get("id") or given.get("aria-label") or "")
        self.references += (given.get("aria-labelledby") or "").split()
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.handle_starttag(tag, attrs)
        if tag not in VOID:
            self.open.pop()

    def handle_endtag(self, tag):
        if not self.open or self.open[-1] != tag:
            self.faults.append(f"</{tag}> closes {self.open[-1:]}")
        else:
            self.open.pop()

    def handle_data(self, data):
        if not _HIDDEN & set(self.open):
            self.words.append(data)


def _count(attrs, name):
    return sum(other == name for other, _ in attrs)


def faults_of(html: str) -> list[str]:
    """Return what is wrong with a page; empty for nothing."""
    reader = _Reader()
    reader.feed(html)
    reader.close()
    faults = reader.faults + [f"{tag} is left open" for tag in reader.open]
    faults += [f"id {name} twice" for name in set(reader.ids) if reader.ids.count(name) > 1]
    faults += [f"no id {name}" for name in reader.references if name not in reader.ids]
    if not html.lower().startswith("<!doctype html>"):
        faults.append("no doctype")
    return faults


def text_of(html: str) -> str:
    """Return the words of a page with single blanks, as a reader without pictures gets them."""
    reader = _Reader()
    reader.feed(html)
    return " ".join(" ".join(reader.words).split())
