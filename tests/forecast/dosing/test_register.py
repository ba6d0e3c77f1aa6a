"""What the records say of each dog, and the region's pressure spread over those that carry it."""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest
from sqlalchemy import insert

from forecast.dosing.dog_record import (
    AdverseReaction,
    Cover,
    Finding,
    Medicine,
    Vaccination,
    dog_cover,
)
from forecast.dosing.register import is_atopic, read_register, region_pressure, risk_of
from forecast.records import tables
from models.flare.cover import efficacy_mean

TODAY = date(2022, 6, 29)
FACTS = "dog,kind,value,date\n"


def read(desk, today=TODAY):
    register = read_register(desk.records, today=today)
    return register, {number: register.dogs[dog_id] for number, dog_id in desk.ids.items()}


def test_a_dog_of_which_nothing_is_recorded_is_not_known_in_everything(desk):
    """No date of birth, no weight, no finding, no history, no region: none is filled in."""
    _, dogs = read(desk)
    dog = dogs["D4"]
    assert (dog.birth_date, dog.weight_kg, dog.weighed, dog.sex, dog.neutered) == (None,) * 5
    assert dog.therapies is None
    assert dog_cover(dog, TODAY) is Cover.NOT_KNOWN
    assert dog.finding("flea_control") == Finding(None, None)
    assert dog.region is None


def test_the_newest_fact_of_a_kind_counts_whatever_the_order_of_the_file(desk):
    """And *not known* after *yes* is not known again."""
    desk.bring(
        "facts",
        FACTS
        + "D1,flea_control,no,2022-05-01\nD1,flea_control,yes,2022-03-01\n"
        + "D1,examination,yes,2022-03-01\nD1,examination,not known,2022-05-01\n"
        + "D1,weight_kg,14.5,2022-05-01\nD1,weight_kg,13.0,2022-03-01\n",
    )
    dog = read(desk)[1]["D1"]
    assert dog.finding("flea_control") == Finding(False, date(2022, 5, 1))
    assert dog.finding("examination") == Finding(None, date(2022, 5, 1))
    assert (dog.weight_kg, dog.weighed) == (14.5, date(2022, 5, 1))


def test_doses_count_only_where_the_history_is_known_and_they_were_given(desk):
    """A list that may have holes says nothing of cover; what was declined was no dose at all."""
    desk.bring(
        "therapies",
        "dog,therapy,date,status,responded\n"
        "D1,anti_il31_antibody,2022-05-20,given,yes\n"
        "D1,anti_il31_antibody,2022-06-20,dispensed,\n"
        "D1,anti_il31_antibody,2022-06-24,declined,\n"
        "D2,anti_il31_antibody,2022-05-20,given,yes\n",
    )
    desk.bring("facts", FACTS + "D1,therapy_history,yes,2022-06-01\n")
    _, dogs = read(desk)
    assert [(e.given, e.status, e.responded) for e in dogs["D1"].therapies] == [
        (date(2022, 5, 20), "given", True),
        (date(2022, 6, 20), "dispensed", None),
    ]
    assert dogs["D2"].therapies is None
    assert dogs["D2"].last_dose("anti_il31_antibody", TODAY) == date(2022, 5, 20)
    assert is_atopic(dogs["D2"]), "as the counts take it: by a therapy on record"


@pytest.mark.parametrize(
    ("later", "known", "asked"),
    [
        ("dose_elsewhere,no", True, date(2022, 6, 10)),
        ("dose_elsewhere,yes", False, None),
        ("dose_elsewhere,not known", False, None),
        ("therapy_history,no", False, None),
    ],
)
def test_a_dose_given_elsewhere_makes_the_history_not_known(desk, later, known, asked):
    """Told of one, or unsure: the list has a hole until the whole history is asked again."""
    desk.bring("facts", FACTS + f"D1,therapy_history,yes,2022-06-01\nD1,{later},2022-06-10\n")
    dog = read(desk)[1]["D1"]
    assert (dog.therapies is not None, dog.history_asked) == (known, asked)
    desk.bring("facts", FACTS + "D1,therapy_history,yes,2022-06-20\n")
    again = read(desk)[1]["D1"]
    assert (again.therapies, again.history_asked) == ((), date(2022, 6, 20))
    assert dog_cover(dog, TODAY) is (Cover.NO if known else Cover.NOT_KNOWN)


def test_nothing_dated_after_the_day_is_seen(desk):
    """As of the end of May, June has not happened."""
    flares = [("D1", day, "itch flare") for day in ("2022-05-10", "2022-06-10")]
    desk.see(*flares)
    desk.bring("facts", FACTS + "D1,weight_kg,14.5,2022-06-01\n")
    desk.bring("scores", "dog,date,pvas\nD1,2022-06-02,7\nD1,2022-05-02,2\n")
    dog = read(desk, date(2022, 5, 31))[1]["D1"]
    assert dog.flare_visits == (date(2022, 5, 10),)
    assert dog.weight_kg is None
    assert [score.value for score in dog.scores] == [2.0]


def test_a_dog_lives_in_its_region_else_where_it_is_seen(desk):
    """D2 has no home on record and belongs to a branch of the north; D4 has neither."""
    _, dogs = read(desk)
    assert [dogs[d].region for d in ("D1", "D2", "D4", "D7")] == ["north", "north", None, "south"]


def test_a_dog_is_observed_from_its_first_visit_on(desk):
    """An active one until today, another until it was last seen; one never seen not at all."""
    desk.see(
        ("D1", "2021-03-01", "other"),
        ("D1", "2021-09-01", "itch flare"),
        ("D3", "2021-04-01", "other"),
        ("D3", "2021-10-01", "other"),
    )
    register, _ = read(desk)
    assert register.observed[desk.ids["D1"]] == (date(2021, 3, 1), TODAY)
    assert register.observed[desk.ids["D3"]] == (date(2021, 4, 1), date(2021, 10, 1))
    assert desk.ids["D2"] not in register.observed


def test_dogs_that_are_gone_are_told_apart(desk):
    """With the reason that the register gives."""
    register, _ = read(desk)
    assert register.gone == {desk.ids["D3"]: "dead", desk.ids["D6"]: "left"}


def test_reactions_stop_a_class_until_a_vet_has_signed(desk):
    """Signed for on a day on or after it; a later reaction stands again, other classes as well."""
    desk.bring(
        "reactions",
        "dog,therapy,date,sign,reported\n"
        "D1,ciclosporin,2022-05-02,sick,yes\n"
        "D1,ciclosporin,2022-06-20,sick again,\n"
        "D1,daily_jak_inhibitor,2022-05-02,,no\n",
    )
    ciclosporin = dict(dog_id=desk.ids["D1"], therapy="ciclosporin", signed_by="a")
    with desk.records.writing() as connection:
        for day in (date(2022, 5, 1), date(2022, 6, 1), date(2022, 6, 10)):
            connection.execute(insert(tables.therapy_release).values(date=day, **ciclosporin))
    assert set(read(desk)[1]["D1"].reactions) == {
        AdverseReaction("ciclosporin", date(2022, 5, 2), True, lifted=date(2022, 6, 1)),
        AdverseReaction("ciclosporin", date(2022, 6, 20), None),
        AdverseReaction("daily_jak_inhibitor", date(2022, 5, 2), False),
    }
    assert read(desk, date(2022, 5, 20))[1]["D1"].reactions[0].lifted is None
    assert read(desk)[1]["D2"].reactions == ()


def test_vaccinations_medicines_and_allergy_tests_reach_their_dog(desk):
    """Planned vaccinations too; an allergy test without a result chooses no allergen."""
    desk.bring("vaccinations", "dog,date,live,against\nD1,2022-07-10,yes,\nD1,2022-01-10,,cough\n")
    desk.bring(
        "medicines", "dog,kind,date,until\nD1,nsaid,2022-06-01,\nD1,other,2022-05-01,2022-05-09\n"
    )
    desk.bring(
        "tests",
        "dog,date,allergen,result\n"
        "D1,2022-03-01,birch,positive\nD1,2022-04-01,mites,not known\nD2,2022-04-01,mites,\n",
    )
    dogs = read(desk)[1]
    assert dogs["D1"].vaccinations == (
        Vaccination(date(2022, 7, 10), True),
        Vaccination(date(2022, 1, 10), None),
    )
    assert dogs["D1"].medicines == (
        Medicine("nsaid", date(2022, 6, 1)),
        Medicine("other", date(2022, 5, 1), date(2022, 5, 9)),
    )
    assert (dogs["D1"].allergy_tested, dogs["D2"].allergy_tested) == (date(2022, 3, 1), None)


def test_the_scale_of_a_score_goes_along(desk):
    """Without a column of it the heading says PVAS; an empty cell of it is a scale not known."""
    desk.bring("scores", "dog,date,pvas\nD1,2022-06-01,4\n")
    desk.bring("scores", "dog,date,pvas,scale\nD1,2022-06-02,6,spoken\nD1,2022-06-03,5,\n")
    scales = [(score.value, score.scale) for score in read(desk)[1]["D1"].scores]
    assert scales == [(4, "PVAS"), (6, "spoken"), (5, "not known")]


# ------------------------------------------------------------------------------ pressure
@pytest.fixture
def seen(desk):
    """D1 and D2 flared; D5 is seen for other things and D7 lives in the south."""
    desk.see(
        ("D1", "2021-01-04", "itch flare"),
        ("D2", "2022-03-01", "itch flare"),
        ("D5", "2021-01-04", "other"),
        ("D7", "2021-01-04", "itch flare"),
    )
    return desk


def test_a_week_s_flares_are_spread_over_the_atopic_dogs_that_were_there(seen, issue_of):
    """Half of them under cover: the flares of a week with two dogs over two, and over 1 - e/2."""
    register, _ = read(seen)
    issued = issue_of(np.full((20, 52), 6)).forecast
    pressure = region_pressure(issued, "north", register)
    shown = 1 - 0.5 * efficacy_mean()
    flares = issued["flare_visits_past"].values[0]
    weeks = issued["past_week"].values.astype("datetime64[D]")
    one, two = weeks < np.datetime64("2022-03-01"), weeks >= np.datetime64("2022-03-01")
    np.testing.assert_allclose(pressure.past[one], flares[one] / shown)
    np.testing.assert_allclose(pressure.past[two], flares[two] / shown / 2)
    np.testing.assert_allclose(pressure.ahead, 6 / 2)
    assert pressure.ahead.shape == (20, 52)


def test_healthy_dogs_carry_no_pressure(seen, issue_of):
    """Found not to be atopic, D2 is left out, and the pressure falls on D1 alone."""
    seen.bring("facts", FACTS + "D2,atopic_dermatitis,no,2022-06-01\n")
    register, _ = read(seen)
    pressure = region_pressure(issue_of(np.full((20, 52), 6)).forecast, "north", register)
    np.testing.assert_allclose(pressure.ahead, 6)


def test_cover_that_is_not_known_corrects_nothing(seen, issue_of):
    """The flares seen are then the pressure."""
    register, _ = read(seen)
    issued = issue_of(np.full((20, 52), 6)).forecast
    issued["covered_share_past"][:] = np.nan
    pressure = region_pressure(issued, "north", register)
    assert pressure.past[-1] == issued["flare_visits_past"].values[0, -1] / 2


def test_weeks_before_any_dog_and_weeks_not_reported_are_not_known(desk, issue_of):
    """Neither zero nor a division by nothing."""
    desk.see(("D1", "2022-03-01", "itch flare"))
    register, _ = read(desk)
    issued = issue_of(np.full((20, 52), 6)).forecast
    issued["flare_visits_past"][0, -1] = np.nan
    past = region_pressure(issued, "north", register).past
    weeks = issued["past_week"].values.astype("datetime64[D]")
    assert np.isnan(past[weeks < np.datetime64("2022-03-01")]).all()
    assert np.isnan(past[-1])
    assert np.isfinite(past[-5:-1]).all()


# ------------------------------------------------------------------------------ one dog
def risk(desk, issue_of, dog="D1"):
    register, dogs = read(desk)
    pressure = region_pressure(issue_of(np.full((20, 52), 1)).forecast, "north", register)
    return risk_of(dogs[dog], register, pressure)


def test_days_under_a_working_dose_are_left_out_of_a_dog_s_history(seen, issue_of):
    """Seven weeks under a dose are no proof of calm; a dose that failed covers none."""
    plain = risk(seen, issue_of)
    header = "dog,therapy,date,status,responded\n"
    seen.bring("therapies", header + "D1,anti_il31_antibody,2022-01-12,given,no\n")
    seen.bring("facts", FACTS + "D1,therapy_history,yes,2022-06-01\n")
    assert risk(seen, issue_of).expected_flares == pytest.approx(plain.expected_flares)
    seen.bring("therapies", header + "D1,anti_il31_antibody,2022-01-12,given,yes\n")
    covered = risk(seen, issue_of)
    issued = issue_of(np.full((20, 52), 1)).forecast
    weeks = issued["past_week"].values.astype("datetime64[D]")
    rate = issued["flare_visits_past"].values[0] / (1 - 0.5 * efficacy_mean())
    days = weeks[:, None] + np.arange(7)
    under = (days >= np.datetime64("2022-01-12")) & (days < np.datetime64("2022-03-02"))
    left_out = (rate * under.mean(axis=1)).sum()  # D1 is the only dog until March
    assert left_out > 1
    assert plain.expected_flares - covered.expected_flares == pytest.approx(left_out, rel=0.02)


@pytest.mark.parametrize(
    ("row", "why"),
    [
        ("D1,daily_jak_inhibitor,2022-01-12,,given,yes", "a course without an end on record"),
        ("D1,daily_jak_inhibitor,2022-01-12,,dispensed,", "one that was only handed out"),
    ],
    ids=["no end", "dispensed"],
)
def test_days_on_which_cover_is_not_known_are_left_out_of_a_dog_s_history(seen, issue_of, row, why):
    """From its start on nothing is known of the dog: neither calm nor flares count after it."""
    plain = risk(seen, issue_of)
    seen.bring("therapies", f"dog,therapy,date,until,status,responded\n{row}\n")
    register, _ = read(seen)
    assert register.uncovered[seen.ids["D1"]] == ((date(2021, 1, 4), date(2022, 1, 11)),), why
    left = risk(seen, issue_of)
    issued = issue_of(np.full((20, 52), 1)).forecast
    weeks = issued["past_week"].values.astype("datetime64[D]")
    assert (weeks > np.datetime64("2022-01-12")).sum() > 20
    assert left.expected_flares < plain.expected_flares
    if "given" in row:
        # the same rule as in the region's share and in the dog's cover on a day
        assert dog_cover(_with_history(seen, "D1"), TODAY) is Cover.NOT_KNOWN


def _with_history(desk, number):
    """Say that the list of therapies is complete; else nothing is known of any day."""
    desk.bring("facts", FACTS + f"{number},therapy_history,yes,2022-06-01\n")
    return read(desk)[1][number]


def test_an_ended_course_is_cut_out_and_a_declined_one_is_not(seen):
    """Tablets of 10 to 19 January act a day beyond the last; what was declined covers nothing."""
    header = "dog,therapy,date,until,status,responded\n"
    seen.bring(
        "therapies",
        header
        + "D1,daily_jak_inhibitor,2022-01-10,2022-01-19,given,yes\n"
        + "D1,daily_jak_inhibitor,2022-03-10,,declined,\n",
    )
    register, _ = read(seen)
    assert register.uncovered[seen.ids["D1"]] == (
        (date(2021, 1, 4), date(2022, 1, 9)),
        (date(2022, 1, 20), TODAY),
    )


def test_a_dog_never_seen_has_the_risk_of_its_region(seen, issue_of):
    """No flare and no expectation of its own."""
    seen.bring("dogs", "dog,status,region\nD9,active,north\n")
    found = risk(seen, issue_of, "D9")
    assert found.own_flares == 0
    assert found.expected_flares == 0
    assert np.isfinite(found.probability).all()


def test_where_no_past_week_was_reported_a_dog_has_the_risk_of_its_region(seen, issue_of):
    """Its own flares cannot be held against anything, so they count for nothing."""
    register, dogs = read(seen)
    issued = issue_of(np.full((20, 52), 1)).forecast
    issued["flare_visits_past"][:] = np.nan
    found = risk_of(dogs["D1"], register, region_pressure(issued, "north", register))
    assert (found.own_flares, found.expected_flares) == (0, 0)
    np.testing.assert_allclose(found.relative, 1.0)
