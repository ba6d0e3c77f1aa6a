"""What a letter says: plain words, every caution, and nothing that it must not say."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import date, time

import pytest
from reading_grade import GRADES, HIGHEST_GRADE, sentences_of

from forecast.dosing.plan import CAUTIONS, Proposal
from forecast.dosing.therapies import therapies
from forecast.letters.catalogues import CATALOGUES
from forecast.letters.gate import LetterError
from forecast.letters.letter import Names, PlanTold, Variant, make_letter, variant_of
from forecast.letters.plain_words import (
    ALWAYS,
    CARE_NOW,
    CLASSES,
    FROM_THE_PAST,
    FROM_THE_VET,
    OF_CLASS,
)
from forecast.practice import parse_settings, template
from models.parameters import load_table

SETTINGS = parse_settings(template())
NAMES = Names("Rex", "Ada Quillfeather", "Dr Invented")
DOSES = (date(2023, 3, 27), date(2023, 5, 8))
WEEKS = (date(2023, 6, 19), date(2023, 6, 26))
TODAY = date(2023, 3, 1)
PLAN = PlanTold("anti_il31_antibody", Proposal.DATED_DOSES, DOSES, WEEKS)
MOST_WORDS = 25  # of one sentence


def letter(variant, *, plan=PLAN, is_signed=True, settings=SETTINGS, names=NAMES, code="en"):
    of = {"variant": variant, "today": TODAY, "is_signed": is_signed}
    return make_letter(settings, names, plan, **of, speaks=CATALOGUES.language(code))


@pytest.mark.parametrize("code", CATALOGUES.shipped)
@pytest.mark.parametrize("therapy", sorted(therapies()))
@pytest.mark.parametrize("variant", list(Variant))
def test_every_letter_reads_at_the_seventh_grade_or_below(variant, therapy, code):
    """Of each variant, class of therapy and language, and no sentence of it is long."""
    plan = PlanTold(therapy, Proposal.DATED_DOSES, DOSES, WEEKS, replaces_dates=True)
    told = sentences_of(letter(variant, plan=plan, code=code).prose)
    grade = GRADES[code](told)
    assert grade <= HIGHEST_GRADE, grade
    longest = max(told, key=lambda one: len(one.split()))
    assert len(longest.split()) <= MOST_WORDS, longest


# ---------------------------------------------------------------------------------- what is said
def test_every_caution_of_the_plan_has_plain_words():
    """A caution that is added to a plan or to a class must reach owners too."""
    assert {one.code for one in CAUTIONS} == {*ALWAYS, "care_now"}
    care = next(one.sentence for one in CAUTIONS if one.code == "care_now")
    signs = care.split(": ", 1)[1].rstrip(".").replace(", or ", ", ").split(", ")
    assert signs == list(CARE_NOW)
    for kind in therapies().values():
        codes = {*kind.cautions, *(f"monitoring {code}" for code in kind.monitoring)}
        assert set(OF_CLASS[kind.id]) == codes, kind.id
    assert set(CLASSES) == set(therapies())


@pytest.mark.parametrize("variant", [Variant.DATES, Variant.CHANGED])
def test_a_letter_of_dates_says_all_it_must(variant):
    """Days in words, every caution, what to watch and when, when to call at once, who signed."""
    made = letter(variant)
    text = " ".join(made.prose)
    assert [day for day, _ in made.dates] == ["Monday, 27 March 2023", "Monday, 8 May 2023"]
    told = (*ALWAYS.values(), FROM_THE_PAST, *OF_CLASS[PLAN.therapy].values(), *CARE_NOW.values())
    for plain in told:
        assert plain.replace("{dog}", "Rex") in text
    assert "Look most of all then: 19 June to 2 July." in text
    assert [one.heading for one in made.sections if one.is_urgent] == ["Call us at once if"]
    assert made.signed_for == "Vet: Dr Invented"
    assert "{" not in text


def test_no_letter_names_a_dose_a_brand_or_what_sets_a_dog_off():
    """No amount, no allergen of the catalogue, none of the words of a label."""
    catalogue = load_table("models", "allergens.toml").parameters
    allergens = {key.split(".")[0].replace("_", " ") for key in catalogue}
    for variant in Variant:
        for therapy in therapies():
            plan = PlanTold(therapy, Proposal.DATED_DOSES, DOSES, WEEKS)
            made = letter(variant, plan=plan)
            text = " ".join((made.title, *made.prose, *(what for _, what in made.dates))).lower()
            assert not re.search(r"\d\s*(mg|ml|g|kg)\b|milligram|®|™|pollen|mould", text)
            for allergen in allergens - {"fleas", "flea"}:
                assert not re.search(rf"\b{allergen}\b", text), (variant, allergen)


def test_weeks_not_known_are_not_said_and_weeks_past_neither():
    """Not known is not "none": no sentence says that nothing is left uncovered."""
    for weeks in (None, (), (date(2023, 2, 13),)):
        plan = PlanTold(PLAN.therapy, PLAN.proposal, DOSES, weeks)
        assert "likelier" not in " ".join(letter(Variant.DATES, plan=plan).prose)


def test_dates_that_a_vet_chose_are_not_said_to_come_from_past_flares():
    """Nor is a dog without such a past said to have itched at this time of year."""
    plan = replace(PLAN, is_vets_choice=True, follows_past=False)
    text = " ".join(letter(Variant.DATES, plan=plan).prose)
    assert FROM_THE_VET.replace("{dog}", "Rex") in text
    for claim in ("past flares", "In past years", "want to be early"):
        assert claim not in text
        assert claim in " ".join(letter(Variant.DATES).prose)


def test_a_time_that_is_booked_stands_with_its_day_and_is_not_asked_for():
    """Of none, of some and of all days."""
    none, some, every = ({}, {DOSES[0]: time(10, 30)}, dict.fromkeys(DOSES, time(9)))
    made = [letter(Variant.DATES, plan=replace(PLAN, times=times)) for times in (none, some, every)]
    days = [day for day, _ in made[1].dates]
    assert days == ["Monday, 27 March 2023, 10:30", "Monday, 8 May 2023"]
    asked = [next(one for one in each.opening if "call us" in one) for each in made]
    assert "book a time on each day" in asked[0]
    assert "book a time for each day that has none" in asked[1]
    assert "book" not in asked[2]


def test_one_day_is_spoken_of_as_one():
    for variant in (Variant.DATES, Variant.CHANGED):
        text = " ".join(letter(variant, plan=replace(PLAN, doses=DOSES[:1])).prose)
        for plural in ("days below", "each day", "each of these", "These are", "the new ones"):
            assert plural not in text, plural
    of = {"variant": Variant.DATES, "today": DOSES[1], "is_signed": True}
    after_one = make_letter(SETTINGS, NAMES, PLAN, **of, speaks=CATALOGUES.language("en"))
    assert "on the day below" in " ".join(after_one.prose)
    assert "early" not in " ".join(after_one.prose), "one dose is past: the season is on"


def test_what_practice_toml_does_not_tell_is_left_open_for_a_pen():
    """Telephones are on the head where they are given, else lines to fill in."""
    bare = letter(Variant.DATES)
    assert bare.to_fill_in == ("Telephone", "Telephone at night and on closed days")
    told = '[letters]\nphone = "0123"\nemergency_phone = "0999"\naddress = ["1 High Street"]\n'
    full = letter(Variant.DATES, settings=parse_settings(template() + "\n" + told))
    assert full.to_fill_in == ()
    assert full.head[1:] == (
        "1 High Street",
        "Telephone 0123",
        "At night and on closed days 0999",
    )


def test_a_draft_says_so_and_names_no_vet():
    """Whatever name was handed in; so does a letter of an invented practice."""
    draft = letter(Variant.DATES, is_signed=False)
    assert "no vet has signed" in draft.notice
    assert draft.signed_for == "For the practice"
    made_up = parse_settings(template().replace("invented = false", "invented = true"))
    assert "made up" in letter(Variant.EXAMINE, settings=made_up).notice


def test_names_that_are_not_known_leave_no_gap_and_a_letter_has_no_repr():
    """A letter of nobody says "your dog"; a log that prints a letter holds no name."""
    made = letter(Variant.DATES, names=Names("", ""))
    assert made.greeting == "Hello,"
    assert "Dates for your dog" in made.title
    assert "Quillfeather" not in repr(letter(Variant.DATES))


@pytest.mark.parametrize(
    ("proposal", "doses", "replaces", "variant"),
    [
        (Proposal.DATED_DOSES, DOSES, False, Variant.DATES),
        (Proposal.DATED_DOSES, DOSES, True, Variant.CHANGED),
        (Proposal.HOLD_A_SLOT, (), False, Variant.FIRST_ITCH),
        (Proposal.EXAMINE, (), False, Variant.EXAMINE),
    ],
)
def test_the_plan_says_which_letter_it_is(proposal, doses, replaces, variant):
    assert variant_of(PlanTold(PLAN.therapy, proposal, doses, None, replaces)) is variant


@pytest.mark.parametrize("proposal", [Proposal.SEE_NOW, Proposal.NOTHING, Proposal.VET_DECIDES])
def test_an_itching_dog_is_called_not_written_to(proposal):
    with pytest.raises(LetterError, match="call the owner instead"):
        variant_of(PlanTold(PLAN.therapy, proposal))
