from __future__ import annotations

import json
from dataclasses import replace
from datetime import date

import numpy as np
import pandas as pd
import pytest

from forecast.dosing.effect_times import (
    VetsWord,
    as_kept,
    effect_times,
    of_kept,
    own_cover,
    planned_cover,
    risk_spans,
    unlike_the_record,
)
from forecast.dosing.therapies import DosingError, therapy
from models.effect_time import EffectTime, Population
from models.effect_time.dog import RatePosterior

ANTIBODY = therapy("anti_il31_antibody")
TODAY = date(2022, 6, 29)
HEAD = "dog,therapy,date,until,status,reason,responded\n"
PRACTICE = Population(shape=2.5, typical=30.0, alike=6.0, non_responders=0.1)


def spans(dog: str) -> pd.DataFrame:
    """Make May to September of 2021 a dog's risk weeks."""
    first, end = pd.Timestamp("2021-05-03"), pd.Timestamp("2021-09-06")
    return pd.DataFrame({"dog": [dog], "first": [first], "end": [end]})


def test_doses_and_scores_on_record_are_followed(desk):
    """Quiet after 20 days, and a dose for itch after 30; a dose declined and tablets are none."""
    desk.bring("scores", "dog,date,pvas\nD1,2021-05-30,1.0\n")
    desk.bring(
        "therapies",
        HEAD
        + "D1,anti_il31_antibody,2021-05-10,,given,itch,\n"
        + "D1,anti_il31_antibody,2021-06-09,,given,itch,\n"
        + "D1,anti_il31_antibody,2021-06-20,,declined,itch,\n",
    )
    dog = desk.ids["D1"]
    found = effect_times(desk.records, ANTIBODY, spans(dog), today=TODAY)
    assert found.seen.quiet.tolist()[0] == 20
    assert found.seen.relapsed.tolist()[0] == 30
    assert found.population is None
    told = found.of(dog)
    assert (told.basis, told.shortest, told.longest) == ("label", 28, 49)


def test_scores_under_tablets_are_not_looked_at(desk):
    """The dog was quiet, and on tablets."""
    desk.bring("scores", "dog,date,pvas\nD1,2021-05-30,1.0\n")
    desk.bring(
        "therapies",
        HEAD
        + "D1,anti_il31_antibody,2021-05-10,,given,itch,\n"
        + "D1,daily_jak_inhibitor,2021-05-25,2021-06-05,given,itch,\n",
    )
    dog = desk.ids["D1"]
    seen = effect_times(desk.records, ANTIBODY, spans(dog), today=TODAY).seen
    assert seen.quiet.tolist() == [0]


def test_a_dog_without_scores_has_the_label_alone(desk):
    """Whatever the other dogs told."""
    found = effect_times(desk.records, ANTIBODY, spans(desk.ids["D1"]), today=TODAY)
    with_others = replace(found, population=PRACTICE)
    assert with_others.of(desk.ids["D1"]).basis == "label"


def test_a_dog_with_scores_and_no_dose_has_the_label_alone(desk):
    """Its scores say nothing of a drug that it never had."""
    desk.bring("scores", "dog,date,pvas\nD1,2021-05-30,1.0\nD2,2021-05-30,1.0\n")
    desk.bring("therapies", HEAD + "D2,anti_il31_antibody,2021-05-10,,given,itch,\n")
    found = effect_times(desk.records, ANTIBODY, spans(desk.ids["D2"]), today=TODAY)
    with_others = replace(found, population=PRACTICE)
    assert with_others.of(desk.ids["D1"]).basis == "label"
    assert with_others.of(desk.ids["D2"]).basis == "scores"


def test_a_vets_word_has_a_name_and_a_reason(desk):
    """With it a dose may be planned beyond 49 days, up to the word's."""
    desk.bring("scores", "dog,date,pvas\nD1,2021-05-30,1.0\n")
    desk.bring("therapies", HEAD + "D1,anti_il31_antibody,2021-05-10,,given,itch,\n")
    dog = desk.ids["D1"]
    found = effect_times(desk.records, ANTIBODY, spans(dog), today=TODAY)
    known = replace(found, population=replace(PRACTICE, typical=120.0))
    assert known.of(dog).holds_until() == 49
    word = VetsWord("A. Quillfeather", "held for ten weeks three times", 63)
    assert 49 < known.of(dog, word=word).holds_until() <= 63
    for vet, reason in (("", "held"), ("A. Quillfeather", " ")):
        with pytest.raises(DosingError, match="a named vet and a reason"):
            VetsWord(vet, reason, 63)


def test_risk_weeks_ahead_are_those_of_the_past_too():
    """Two weeks of June ahead, and the same parts of the year in 2020 and 2021.

    The Thursdays, 16 and 23 June 2022, lie in the 24th and 25th seven days of the year: days 162 to
    168 and 169 to 175, whose Thursdays are 11 and 18 June in the leap year 2020, 17 and 24 in 2021.
    """
    ahead = {"rex": [date(2022, 6, 13), date(2022, 6, 20)]}
    past = risk_spans(ahead, since=date(2020, 1, 1), until=date(2021, 12, 31))
    told = [
        (f"{first:%Y-%m-%d}", f"{end:%Y-%m-%d}")
        for first, end in zip(past["first"], past["end"], strict=True)
    ]
    assert told == [("2020-06-08", "2020-06-22"), ("2021-06-14", "2021-06-28")]
    assert risk_spans({}, since=date(2020, 1, 1), until=date(2021, 1, 1)).empty


def effect(*, a: float, b: float, no_response: float = 0.0, longest: float = 45.0) -> EffectTime:
    """Make an effect time of shape 2."""
    rate = RatePosterior(a, b, no_response)
    return EffectTime("scores", 15.0, longest, 5, 4, 49.0, 2.0, rate)


def test_a_dogs_own_cover_runs_to_the_day_that_may_be_planned():
    """With a very sure rate of ln(1.25) / 30^2 the effect holds 30 days in four of five cases."""
    sure = 1e6
    told = effect(a=sure, b=sure * 30**2 / np.log(1.25))
    cover = own_cover(told, ANTIBODY.cover)
    assert (cover.onset, cover.ends_at) == (ANTIBODY.cover.onset, 45)
    assert cover.full_until in (29, 30)  # whole days


def test_a_dog_that_does_not_respond_has_no_cover():
    """And one of which nothing is known has the usual one."""
    assert own_cover(effect(a=5.0, b=5e3, no_response=0.6), ANTIBODY.cover) is None
    label = EffectTime("label", 28, 49, 0, 0, 49)
    assert own_cover(label, ANTIBODY.cover) == ANTIBODY.cover


def test_a_practice_that_tightened_its_rule_plans_on_no_more():
    """Full through day 21 by its own rule, ended by day 40, whatever one dog's scores say."""
    held = ANTIBODY.parameters
    tight = {"full_until": 21, "ends_at": 40}
    own = {name: replace(held[name], value=value) for name, value in tight.items()}
    kind = replace(ANTIBODY, parameters={**held, **own})
    sure = 1e6
    told = effect(a=sure, b=sure * 30**2 / np.log(1.25))
    cover = planned_cover(told, kind)
    assert (cover.full_until, cover.ends_at) == (21, 40)
    assert planned_cover(told, ANTIBODY).full_until in (29, 30)


def test_a_vets_word_lets_a_dose_be_planned_past_what_was_measured():
    """A sure rate of ln(1.25) / 60^2 holds 60 days in four of five cases: 49 without a word.

    With one up to day 63 it ends there, or sooner where the word is shorter; a practice that
    tightened its rule stays by it.
    """
    sure = 1e6
    long = effect(a=sure, b=sure * 60**2 / np.log(1.25), longest=90.0)
    assert planned_cover(long, ANTIBODY).ends_at == 49
    for cap, full, end in ((63.0, (59, 60), 63), (56.0, (55,), 56)):
        cover = planned_cover(replace(long, longest=cap, cap=cap), ANTIBODY)
        assert cover.full_until in full
        assert cover.ends_at == end
    tight = {**ANTIBODY.parameters, "ends_at": replace(ANTIBODY.parameters["ends_at"], value=40)}
    kind = replace(ANTIBODY, parameters=tight)
    assert planned_cover(replace(long, longest=63.0, cap=63.0), kind).ends_at == 40


@pytest.mark.parametrize(
    ("recorded", "no_response", "words"),
    [
        (None, 0.005, "was not recorded, but its own itch scores after doses make one likelier"),
        (False, 0.005, "no response was recorded last, but its own itch scores after doses make"),
        (True, 0.6, "a response was recorded last, but its own itch scores after doses speak"),
        (True, 0.005, ""),
        (False, 0.6, ""),
        (None, 0.6, ""),
    ],
)
def test_where_scores_and_record_differ_it_is_said(recorded, no_response, words):
    """A sure rate of ln(1.25) / 30^2: it may be planned on unless 60 % speak against a response."""
    sure = effect(a=1e6, b=1e6 * 30**2 / np.log(1.25), no_response=no_response)
    said = unlike_the_record(recorded, sure)
    assert (words in said) if words else not said
    assert unlike_the_record(recorded, EffectTime("label", 28, 49, 0, 0, 49)) == ""


def test_what_a_plan_keeps_of_an_effect_time_is_all_of_it():
    """Through JSON and back, with a rate and without."""
    for told in (effect(a=5.0, b=5e3, no_response=0.1), EffectTime("label", 28, 49, 0, 0, 49)):
        assert of_kept(json.loads(json.dumps(as_kept(told)))) == told
