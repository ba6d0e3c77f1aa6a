"""The languages alerts are written in: gettext catalogues, read as they stand in `locales/`.

A language is spoken whole or not at all. Where its catalogue lacks a sentence, holds one that is
marked as fuzzy, or has other places to fill in than the English one, the whole alert falls back to
English: half a text in each language would be worse than either.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from fractions import Fraction
from functools import cache
from importlib.resources import files
from pathlib import Path

from babel import Locale
from babel.dates import format_skeleton
from babel.messages.pofile import read_po

from forecast.alerts import messages
from forecast.wording import SELDOM, plain_fraction

ENGLISH = "en"
_LOCALES = {ENGLISH: "en_GB"}  # days before months, as everywhere else on these pages
_PLACE = re.compile(r"\{\w+\}")


@dataclass(frozen=True)
class Language:
    """One language: its code, and how it says each English sentence."""

    code: str
    says: Mapping[str, str]

    def say(self, sentence: str, **places: str) -> str:
        """Say a sentence, with its places filled; what fills them is never looked into."""
        return _PLACE.sub(lambda found: places[found[0][1:-1]], self.says[sentence])

    def day(self, moment: date, *, beside: date) -> str:
        """Say a day shortly, with its year where that is not the year of another day."""
        skeleton = "MMMMd" if moment.year == beside.year else "yMMMMd"
        return format_skeleton(skeleton, moment, locale=_locale(self.code))

    def span(self, first: date, last: date, *, beside: date) -> str:
        """Say the days from one to another."""
        return self.say(
            messages.TO,
            first=self.day(first, beside=beside),
            last=self.day(last, beside=beside),
        )

    def odds(self, probability: float) -> str:
        """Say odds as a plain fraction."""
        if probability < SELDOM:
            return self.say(messages.SELDOM)
        if probability > 1.0 - SELDOM:
            return self.say(messages.NEARLY_ALWAYS)
        nearest: Fraction = plain_fraction(probability)
        return self.say(messages.IN, n=f"{nearest.numerator}", of=f"{nearest.denominator}")


@cache
def language(code: str) -> Language:
    """Return a language, English where no catalogue speaks it whole."""
    known = shipped()
    return known.get(code, known[ENGLISH])


@cache
def shipped() -> dict[str, Language]:
    """Return the languages that are spoken whole, English first."""
    found = {ENGLISH: Language(ENGLISH, {one: one for one in messages.all_messages()})}
    for path in sorted(Path(str(files("forecast.alerts") / "locales")).glob("*.po")):
        says, lacking = read_catalogue(path)
        if not lacking:
            found[path.stem] = Language(path.stem, says)
    return found


def read_catalogue(path: Path) -> tuple[dict[str, str], list[str]]:
    """Read a catalogue: what it says, and the English sentences it does not say properly."""
    with path.open("rb") as file:
        catalogue = read_po(file, locale=path.stem)
    says, lacking = {}, []
    for sentence in messages.all_messages():
        held = catalogue.get(sentence)
        text = held.string if held is not None and not held.fuzzy else ""
        if not isinstance(text, str) or not text.strip() or _places(text) != _places(sentence):
            lacking.append(sentence)
        else:
            says[sentence] = text
    return says, lacking


def _places(text: str) -> list[str]:
    return sorted(set(_PLACE.findall(text)))


@cache
def _locale(code: str) -> Locale:
    return Locale.parse(_LOCALES.get(code, code))
