"""The languages that owners are written to in: gettext catalogues, read as they stand.

A language is spoken whole or not at all. Where its catalogue of a room lacks a sentence, holds one
that is marked as fuzzy, or has other places to fill in than the English one, all of that room falls
back: half a text in each language would be worse than either.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, time
from functools import cache
from importlib.resources import files
from pathlib import Path

from babel import Locale
from babel.dates import format_date, format_skeleton, format_time
from babel.messages.pofile import read_po

ENGLISH = "en"
_LOCALES = {ENGLISH: "en_GB"}  # days before months, as everywhere else on these pages
_PLACE = re.compile(r"\{\w+\}")
_CODE_LETTERS = 2  # of ISO 639-1


@dataclass(frozen=True)
class Language:
    """One language: its code (ISO 639-1), and how it says each English sentence of a room."""

    code: str
    says: Mapping[str, str]

    @property
    def name(self) -> str:
        """Its English name."""
        return language_name(self.code)

    def say(self, sentence: str, **places: str) -> str:
        """Say a sentence, with its places filled; what fills them is never looked into."""
        return _PLACE.sub(lambda found: places[found[0][1:-1]], self.says[sentence])

    def day(self, moment: date, *, beside: date) -> str:
        """Say a day shortly, with its year where that is not the year of another day."""
        skeleton = "MMMMd" if moment.year == beside.year else "yMMMMd"
        return format_skeleton(skeleton, moment, locale=_locale(self.code))

    def full_day(self, moment: date) -> str:
        """Say a day with its weekday and year."""
        return format_date(moment, "full", locale=_locale(self.code))

    def clock(self, at: time) -> str:
        """Say a time of the day."""
        return format_time(at, "short", locale=_locale(self.code))


@dataclass(frozen=True)
class Catalogues:
    """What one room says to owners, in English, and the package in whose `locales/` others stand.

    Attributes
    ----------
    package
        Such as "forecast.letters".
    sentences
        Every sentence that a catalogue must have to speak its language whole.
    """

    package: str
    sentences: tuple[str, ...]

    @property
    def shipped(self) -> dict[str, Language]:
        """The languages that are spoken whole, English first."""
        return _shipped(self)

    def language(self, *codes: str | None) -> Language:
        """Return the first of some languages that is spoken whole; English where none is."""
        known = self.shipped
        return next((known[code] for code in codes if code in known), known[ENGLISH])

    def read(self, path: Path) -> tuple[dict[str, str], list[str]]:
        """Read a catalogue: what it says, and the English sentences it does not say properly."""
        with path.open("rb") as file:
            catalogue = read_po(file, locale=path.stem)
        says, lacking = {}, []
        for sentence in self.sentences:
            held = catalogue.get(sentence)
            text = held.string if held is not None and not held.fuzzy else ""
            if not isinstance(text, str) or not text.strip() or _places(text) != _places(sentence):
                lacking.append(sentence)
            else:
                says[sentence] = text
        return says, lacking


@cache
def _shipped(of: Catalogues) -> dict[str, Language]:
    found = {ENGLISH: Language(ENGLISH, {one: one for one in of.sentences})}
    for path in sorted(Path(str(files(of.package) / "locales")).glob("*.po")):
        says, lacking = of.read(path)
        if not lacking:
            found[path.stem] = Language(path.stem, says)
    return found


@cache
def language_names() -> dict[str, str]:
    """Return the English name of every language that has a code of two letters (ISO 639-1)."""
    names = Locale.parse(ENGLISH).languages
    return {code: name for code, name in sorted(names.items()) if len(code) == _CODE_LETTERS}


def language_name(code: str) -> str:
    """Return the English name of a language; of one without a name its code, quoted."""
    return language_names().get(code, repr(code))


def _places(text: str) -> list[str]:
    return sorted(set(_PLACE.findall(text)))


@cache
def _locale(code: str) -> Locale:
    return Locale.parse(_LOCALES.get(code, code))
