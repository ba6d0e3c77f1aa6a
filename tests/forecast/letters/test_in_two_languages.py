"""Letters and calendars in each language: the same facts, nothing left in English."""

from __future__ import annotations

import re
from datetime import UTC, date, datetime, time
from zoneinfo import ZoneInfo

import icalendar
import pytest

from forecast.dosing.plan import Proposal
from forecast.dosing.therapies import therapies
from forecast.letters.calendar_file import Subject, calendar_file
from forecast.letters.catalogues import CATALOGUES, language_for
from forecast.letters.events import planned_events, revised
from forecast.letters.letter import Letter, Names, PlanTold, Variant, make_letter
from forecast.letters.messages import NO_NAME
from forecast.letters.plain_words import ALWAYS, CARE_NOW, CLASSES, OF_CLASS
from forecast.letters.rendering import letter_html
from forecast.practice import parse_settings, template

TOLD = """
[letters]
phone = "044 111 22 33"
emergency_phone = "0900 55 66"
address = ["Hauptstrasse 1"]
"""
SETTINGS = parse_settings(
    template().replace("invented = false", "invented = true").replace("Our practice", "Nord") + TOLD
)
TODAY, DOSES = date(2023, 3, 1), (date(2023, 3, 27), date(2023, 5, 8))
WEEKS = (date(2023, 6, 19), date(2023, 6, 26))
TIMES = {DOSES[0]: time(10, 30)}
OTHERS = [code for code in CATALOGUES.shipped if code != "en"]
# Words without which hardly an English sentence is made, and which are none of another language
# that is shipped; "was", "die", "an", "so", "in" and the like are German too.
ENGLISH_WORDS = {
    *("the", "a", "and", "of", "to", "your", "you", "we", "us", "our", "it", "is", "are", "be"),
    *("if", "not", "do", "does", "please", "call", "with", "for", "this", "that", "or", "how"),
    *("vet", "dose", "doses", "dog", "dates", "itch", "skin", "flea", "visit", "weeks", "day"),
    *("each", "before", "after", "by", "must", "what"),
}
IN_WORDS = {
    "en": ("Monday, 27 March 2023", "Monday, 8 May 2023", "19 June to 2 July"),
    "de": ("Montag, 27. März 2023", "Montag, 8. Mai 2023", "19. Juni bis 2. Juli"),
}
ALL = [(variant, kind) for variant in Variant for kind in sorted(therapies())]
WAYS = {
    "as proposed": {},
    "changed, by a vet": {"replaces_dates": True, "is_vets_choice": True, "follows_past": False},
    "one day": {"doses": DOSES[:1]},
    "all booked": {"times": dict.fromkeys(DOSES, time(9))},
    "none booked": {"times": {}},
}


def letter(code, variant, therapy="anti_il31_antibody", *, name="Bix", is_signed=True, **more):
    told = {"doses": DOSES, "times": TIMES, "uncovered_weeks": WEEKS} | more
    plan = PlanTold(therapy, Proposal.DATED_DOSES, **told)
    of = {"variant": variant, "today": TODAY, "is_signed": is_signed}
    names = Names(name, "Ada", "Dr Kern")
    return make_letter(SETTINGS, names, plan, **of, speaks=CATALOGUES.language(code))


def lines(made: Letter) -> list[str]:
    """Return every line of a letter that is not a name of somebody."""
    dates = [text for pair in made.dates for text in pair]
    told = [*made.head[2:], made.notice, made.written, made.title, *made.prose, *dates]
    return [*told, *made.to_fill_in, made.signed_for, made.signed_on]


def shape(made: Letter):
    """Return how many lines stand where."""
    sections = [(one.is_urgent, len(one.sentences), len(one.items)) for one in made.sections]
    return (made.variant, len(made.opening), len(made.dates), len(made.head), sections)


def numbers(text: str) -> list[str]:
    return re.findall(r"\d+(?::\d+)?", text)


def english_in(text: str) -> set[str]:
    return ENGLISH_WORDS & set(re.findall(r"[^\W\d_]+", text.lower()))


def test_english_is_told_by_its_words():
    """Else the tests below could not fail: every English line but those of a word or two."""
    for variant in Variant:
        for line in letter("en", variant).prose[1:]:
            assert english_in(line) or len(line.split()) < 4, line


@pytest.mark.parametrize("code", OTHERS)
@pytest.mark.parametrize("way", WAYS)
def test_a_letter_says_the_same_in_every_language_and_nothing_in_english(code, way):
    """Of each variant and class: sentence for sentence, number for number, in its own words."""
    for variant, therapy in ALL:
        for signed in (True, False):
            ours = letter(code, variant, therapy, is_signed=signed, **WAYS[way])
            english = letter("en", variant, therapy, is_signed=signed, **WAYS[way])
            assert ours.language == code
            assert shape(ours) == shape(english)
            for mine, other in zip(lines(ours), lines(english), strict=True):
                assert numbers(mine) == numbers(other), (mine, other)
                assert bool(mine) == bool(other)
                assert not english_in(mine), mine
                assert "Bix" in mine or "Bix" not in other, (mine, other)
            assert not {one for one in lines(ours) if len(one) > 4} & set(lines(english))


@pytest.mark.parametrize("code", CATALOGUES.shipped)
@pytest.mark.parametrize("therapy", sorted(therapies()))
def test_every_date_class_caution_and_telephone_is_told(code, therapy):
    """In the words of the language; of each class its own cautions and nobody else's."""
    made, speaks = letter(code, Variant.DATES, therapy), CATALOGUES.language(code)
    text = " ".join(lines(made))
    for words in (*IN_WORDS[code], "10:30", "044 111 22 33", "0900 55 66", "Dr Kern"):
        assert words in text, words
    wanted = (*ALWAYS.values(), *CARE_NOW.values(), CLASSES[therapy], *OF_CLASS[therapy].values())
    for sentence in wanted:
        assert speaks.say(sentence, dog="Bix") in text
    assert [one.is_urgent for one in made.sections] == [False, True, False]


@pytest.mark.parametrize("code", CATALOGUES.shipped)
def test_two_sentences_of_english_are_two_in_every_language(code):
    """What is told apart in English is told apart: no caution stands in for another."""
    said = CATALOGUES.shipped[code].says
    same = {text for text in said.values() if list(said.values()).count(text) > 1}
    assert same <= {"Ihr Hund"}


def test_german_is_right_in_switzerland_and_of_a_dog_without_a_name():
    """No sharp s; "Ihr Hund" is never inflected, so no preposition stands before it."""
    for variant, therapy in ALL:
        for line in lines(letter("de", variant, therapy, name="")):
            assert "ß" not in line
            assert not re.search(
                r"\b(für|um|gegen|ohne|durch|mit|von|bei|zu|nach|aus|seit) Ihr Hund", line
            ), line


def test_html_says_its_language():
    assert '<html lang="de">' in letter_html(letter("de", Variant.DATES))


# ---------------------------------------------------------------------------------- calendars
def calendar(code, *, name="Bix"):
    events = revised([], planned_events(DOSES, WEEKS, today=TODAY, times=TIMES), today=TODAY)
    subject = Subject(name, "Nord", ZoneInfo("Europe/Zurich"), CATALOGUES.language(code))
    made = calendar_file(SETTINGS, subject, events, now=datetime(2023, 3, 1, tzinfo=UTC))
    return icalendar.Calendar.from_ical(made)


@pytest.mark.parametrize("code", OTHERS)
@pytest.mark.parametrize("name", ["Bix", ""])
def test_a_calendar_says_the_same_in_every_language_and_nothing_in_english(code, name):
    """The same events on the same days; RFC 5545, 3.2.10: a text says its language."""
    ours, english = calendar(code, name=name), calendar("en", name=name)
    no_name = CATALOGUES.language(code).say(NO_NAME)
    assert str(ours["prodid"]).endswith(f"//{code.upper()}")
    pairs = list(zip(ours.walk("VEVENT"), english.walk("VEVENT"), strict=True))
    assert len(pairs) == 3
    for mine, other in pairs:
        assert mine["dtstart"].dt == other["dtstart"].dt
        for part in ("summary", "description"):
            assert mine[part].params["LANGUAGE"] == code
            texts = str(mine[part]).split("\n"), str(other[part]).split("\n")
            for own, theirs in zip(*texts, strict=True):
                assert not english_in(own), own
                assert numbers(own) == numbers(theirs)
                assert own != theirs
        alarms = [[str(a["description"]) for a in one.walk("VALARM")] for one in (mine, other)]
        assert alarms[0] == [str(mine["summary"])] * len(alarms[1])
        for sign in CARE_NOW.values():
            said = CATALOGUES.language(code).say(sign, dog=name or no_name)
            assert said in mine["description"]


# ----------------------------------------------------------------------------- which one is it
def written_in(language):
    return parse_settings(template().replace('language = "en"', f'language = "{language}"'))


@pytest.mark.parametrize(
    ("owners", "practices", "code", "why"),
    [
        ("de", "en", "de", "the owner's language"),
        ("en", "de", "en", "the owner's language"),
        (None, "de", "de", "the practice's; the owner's language is not on record"),
        ("fr", "de", "de", "the practice's; there are no letters in French, the owner's language"),
        (
            *(None, "it", "en"),
            "the owner's language is not on record; there are no letters in Italian, the "
            "practice's own",
        ),
    ],
)
def test_the_owners_language_comes_before_the_practices(owners, practices, code, why):
    chosen = language_for(written_in(practices), owners)
    assert (chosen.speaks.code, chosen.why) == (code, why)
