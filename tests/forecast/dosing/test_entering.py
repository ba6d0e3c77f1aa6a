"""What is entered at a desk: checked field by field, refused in one sentence, never half kept."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest
from ready_dog import ready_dog

from forecast.dosing.dog_record import ItchScore, TherapyEvent
from forecast.dosing.entering import (
    KINDS,
    consultation,
    entry_of,
    longer_effect_of,
    release_of,
    trial_ended,
)
from forecast.dosing.therapies import DosingError
from forecast.records.care import TrialRow

TODAY = date(2024, 4, 2)
DOSE = {"therapy": "anti_il31_antibody", "status": "given"}


@pytest.mark.parametrize(
    ("kind", "fields", "table", "values"),
    [
        (
            "score",
            {"score": "4,5", "scorer": "owner"},
            "pruritus_score",
            {"pvas": 4.5, "scorer": "owner", "scale": "PVAS", "date": TODAY},
        ),
        (
            "score",
            {"score": "10", "scale": "spoken", "date": "2024-03-30"},
            "pruritus_score",
            {"pvas": 10.0, "scorer": "not known", "scale": "spoken", "date": date(2024, 3, 30)},
        ),
        (
            "weight",
            {"kilograms": "12.4"},
            "dog_fact",
            {"kind": "weight_kg", "number": 12.4, "date": TODAY},
        ),
        (
            "finding",
            {"finding": "demodicosis", "answer": "no"},
            "dog_fact",
            {"kind": "demodicosis", "word": "no", "date": TODAY},
        ),
        (
            "dose",
            DOSE | {"responded": "yes", "reason": "itch"},
            "therapy_event",
            DOSE | {"date": TODAY, "until": None, "reason": "itch", "responded": True},
        ),
        (
            "dose",
            DOSE | {"until": "2024-05-01"},
            "therapy_event",
            DOSE
            | {"date": TODAY, "until": date(2024, 5, 1), "reason": "not known", "responded": None},
        ),
        (
            "reaction",
            {"therapy": "ciclosporin", "sign": "sick", "reported": "no"},
            "adverse_reaction",
            {"therapy": "ciclosporin", "sign": "sick", "reported": False, "date": TODAY},
        ),
        (
            "status",
            {"status": "dead"},
            "dog_status",
            {"status": "dead", "date": TODAY, "day_given": True},
        ),
    ],
)
def test_what_is_entered_becomes_one_row(kind, fields, table, values):
    """An empty day is today; what else is empty is not known."""
    entry = entry_of(kind, fields, today=TODAY)
    assert (entry.table, dict(entry.values)) == (table, values)
    assert entry.said


@pytest.mark.parametrize(
    ("kind", "fields", "says"),
    [
        ("score", {"score": "11"}, "score '11' was entered; it runs from 0 to 10"),
        ("score", {"score": "-1"}, "runs from 0 to 10"),
        ("score", {"score": "nan"}, "runs from 0 to 10"),
        ("score", {"score": ""}, "runs from 0 to 10"),
        ("score", {"score": "4", "scale": "0-5"}, "allowed are PVAS, spoken"),
        ("score", {"score": "4", "date": "2024-04-03"}, "lies ahead; up to 2024-04-02"),
        ("score", {"score": "4", "date": "3 April"}, "write it as YYYY-MM-DD"),
        ("score", {"score": "4", "date": "1924-04-03"}, "days from 1980-01-01 on"),
        ("weight", {"kilograms": "1240"}, "runs from 0.3 to 130"),
        ("price", {"flare_weeks": "-1"}, "runs from 0 to 52"),
        ("finding", {"finding": "hiccups", "answer": "no"}, "finding 'hiccups' was entered"),
        ("finding", {"finding": "demodicosis"}, "answer '' was entered; allowed are yes, no"),
        ("dose", DOSE | {"therapy": "brand"}, "therapy 'brand' was entered; allowed are"),
        ("dose", DOSE | {"status": "lost"}, "allowed are given, dispensed, declined"),
        ("dose", DOSE | {"until": "2024-04-01"}, "must not end before it starts"),
        ("reaction", {"therapy": "ciclosporin", "sign": "x" * 301}, "at most 300 are kept"),
        ("status", {"status": "asleep"}, "status 'asleep' was entered"),
        ("fortune", {}, "allowed are score, weight, price, dose, finding, reaction, status"),
    ],
)
def test_what_cannot_be_is_refused_in_a_sentence(kind, fields, says):
    """What was entered, and what is allowed."""
    with pytest.raises(DosingError, match=says):
        entry_of(kind, fields, today=TODAY)


def test_a_class_is_signed_for_with_a_reason():
    """By whom and when is no field of the form."""
    entry = release_of(
        {"therapy": "ciclosporin", "reason": "given with food"}, signed_by="a", today=TODAY
    )
    assert (entry.table, dict(entry.values)) == (
        "therapy_release",
        {"therapy": "ciclosporin", "date": TODAY, "signed_by": "a", "reason": "given with food"},
    )
    with pytest.raises(DosingError, match="say why"):
        release_of({"therapy": "ciclosporin"}, signed_by="a", today=TODAY)
    assert len(KINDS) == 7


def longer(**fields):
    given = {"therapy": "anti_il31_antibody", "days": "63", "reason": "held three times"} | fields
    return longer_effect_of(given, signed_by="vet-1", today=TODAY)


def test_a_vets_word_on_a_longer_effect_is_kept_with_the_reason():
    """Up to three months after a dose; with nothing but the class it is taken back."""
    assert longer().values == {
        **{"therapy": "anti_il31_antibody", "date": TODAY, "signed_by": "vet-1"},
        **{"days": 63, "reason": "held three times"},
    }
    assert longer(back="yes").values["days"] is None
    for wrong, why in (
        ({"days": "49"}, "any day from 50 to 84"),
        ({"days": "85"}, "any day from 50 to 84"),
        ({"days": "ten"}, "any day from 50 to 84"),
        ({"reason": ""}, "say why"),
        ({"therapy": "ciclosporin"}, "allowed are anti_il31_antibody"),
        ({"reason": "x" * 301}, "at most 300"),
    ):
        with pytest.raises(DosingError, match=why):
            longer(**wrong)


@pytest.mark.parametrize(
    ("other", "score", "recorded"),
    [
        (None, "3", True),
        ("topical_care", "3", True),  # goes beside any class
        ("glucocorticoid_short_course", "3", None),
        ("glucocorticoid_short_course", "8", False),
    ],
)
def test_a_response_while_another_class_ran_is_no_response_of_the_dose(other, score, recorded):
    """It may be the other's; that the itch did not fall with both speaks against the dose too."""
    begun = date(2024, 3, 19)
    events = [TherapyEvent(DOSE["therapy"], begun)]
    events += [] if other is None else [TherapyEvent(other, begun, until=begun)]
    dog = replace(ready_dog(), therapies=tuple(events), scores=(ItchScore(8.0, begun),))
    trials = [TrialRow(DOSE["therapy"], begun)]
    entries = trial_ended({"score": score}, trials, dog, held=(), today=TODAY)
    assert entries[0].values["pvas"] == float(score), "the score is kept in any case"
    told = [one.values["responded"] for one in entries[1:]]
    assert told == ([] if recorded is None else [recorded])
    if recorded is None:
        assert "not recorded with the dose: short course of a systemic" in entries[0].said


def test_a_consultation_of_which_nothing_is_filled_in_is_refused():
    """Else whoever pressed too early would think that something is on record."""
    with pytest.raises(DosingError, match="nothing was filled in"):
        consultation(
            {"date": "2024-04-02", "scorer": "owner", "finding-demodicosis": ""}, today=TODAY
        )
