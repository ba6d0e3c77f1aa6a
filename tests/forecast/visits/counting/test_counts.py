"""Counts per region and week, their vintages, and the share of dogs under cover."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pandas as pd
import pytest

from forecast.dosing.therapies import cover_rules
from forecast.privacy import erase_owner
from forecast.records.dogs import dog_ids, owner_of
from forecast.records.vintages import vintages
from forecast.visits import (
    VisitError,
    counts_as_known,
    import_dogs,
    import_facts,
    import_therapies,
    import_visits,
    make_vintage,
)
from forecast.visits.counting.counts import count_weeks
from forecast.visits.counting.cover import CoverRule, covered_share

HEADER = "visit,date,branch,dog,kind\n"
FIRST = date(2024, 1, 1)  # a Monday
COVER = {"anti_il31_antibody": CoverRule(28, False), "ciclosporin": CoverRule(1, True)}


def seen(*rows: tuple[str, str | None, str, str]) -> pd.DataFrame:
    frame = pd.DataFrame(rows, columns=["date", "dog", "kind", "region"])
    return frame.assign(date=pd.to_datetime(frame["date"]), dog=frame["dog"].astype(object))


def count(frame: pd.DataFrame, known_on: date, regions: tuple[str, ...] = ("north",)):
    return count_weeks(frame, regions=regions, known_on=known_on, flare_free_days=28)


def steady(region: str, n_weeks: int, leave_out: tuple[int, ...] = ()) -> list[tuple]:
    """Return one other visit each Wednesday."""
    days = [FIRST + timedelta(days=7 * week + 2) for week in range(n_weeks)]
    return [(str(day), None, "other", region) for n, day in enumerate(days) if n not in leave_out]


def by_week(counted, name: str, region: str = "north") -> dict[str, float]:
    series = counted[name].sel(region=region).to_series()
    return {f"{week:%m-%d}": value for week, value in series.items()}


# ------------------------------------------------------------------------------ counting
def test_flares_and_other_visits_are_counted_by_week_and_region():
    """Sunday belongs to the week that began on Monday; the second flare is a consultation."""
    rows = [
        *steady("north", 8),
        ("2024-02-11", "a", "itch flare", "north"),  # Sunday
        ("2024-02-12", "b", "itch flare", "north"),  # Monday after
        ("2024-02-13", "a", "itch flare", "north"),  # two days after the first: recheck
        ("2024-02-14", "b", "scheduled dose", "north"),
    ]
    counted = count(seen(*rows), date(2024, 2, 26), ("north", "south"))
    flares = by_week(counted, "flare_visits")
    assert (flares["02-05"], flares["02-12"], flares["02-19"]) == (1, 1, 0)
    others = by_week(counted, "consultations")
    assert (others["02-05"], others["02-12"], others["02-19"]) == (1, 1 + 2, 1)
    assert counted["flare_visits"].dims == ("region", "week")
    assert np.isnan(counted["flare_visits"].sel(region="south")).all()


def test_a_week_without_any_report_is_not_known_and_one_without_flares_is_zero():
    """A closed or lost week is no quiet week."""
    counted = count(seen(*steady("north", 8, leave_out=(6,))), date(2024, 2, 26))
    flares, others = by_week(counted, "flare_visits"), by_week(counted, "consultations")
    assert flares["02-05"] == 0
    assert np.isnan(flares["02-12"])
    assert np.isnan(others["02-12"])
    assert flares["02-19"] == 0


@pytest.mark.parametrize(
    ("known_on", "last"),
    [
        (date(2024, 2, 25), "2024-02-12"),  # Sunday: its week has not ended yet
        (date(2024, 2, 26), "2024-02-19"),  # Monday: the week before has
        (date(2024, 3, 3), "2024-02-19"),
    ],
)
def test_the_week_that_goes_on_is_left_out(known_on, last):
    """A week counts once its Sunday is over."""
    counted = count(seen(*steady("north", 9)), known_on)
    assert f"{pd.Timestamp(counted['week'].values[-1]):%Y-%m-%d}" == last


def test_the_first_28_days_of_a_region_cannot_tell_a_first_flare_from_a_recheck():
    """Until the record is as long as the definition looks back, counts are not known."""
    rows = [*steady("north", 8), ("2024-01-10", "a", "itch flare", "north")]
    counted = count(seen(*rows), date(2024, 2, 26))
    flares = by_week(counted, "flare_visits")
    # the first visit is of 3 January; 31 January is 28 days later; the next Monday is 5 February
    assert [week for week, value in flares.items() if not np.isnan(value)] == [
        "02-05", "02-12", "02-19",
    ]  # fmt: skip


# ------------------------------------------------------------------------------ vintages
def steady_file(n_weeks: int = 12, branch: str = "n1") -> str:
    rows = [
        f"{branch}-{n},{FIRST + timedelta(days=7 * n + 2)},{branch},,other\n"
        for n in range(n_weeks)
    ]
    return HEADER + "".join(rows)


def test_a_dog_counts_where_it_lives_and_else_where_it_was_seen(practice, records, write):
    """D1 lives in the north and is seen in the south; D3 has no home on record."""
    text = steady_file() + (
        "a,2024-03-05,s1,D1,itch flare\nb,2024-03-06,n2,D3,itch flare\nc,2024-03-07,s1,,other\n"
    )
    import_visits(practice, records, write("v.csv", text))
    made = make_vintage(practice, records, cover_rules={})
    counted = counts_as_known(records, date(2024, 4, 1), made)
    assert by_week(counted, "flare_visits")["03-04"] == 2
    assert "03-04" in by_week(counted, "flare_visits", "south")


def test_a_vintage_is_kept_as_it_was_when_later_visits_change_the_past(practice, records, write):
    """A late export adds a flare to a past week: the old vintage does not see it."""
    import_visits(practice, records, write("v.csv", steady_file()))
    early = make_vintage(practice, records, cover_rules={})
    late = HEADER + "x,2024-03-06,n1,D1,itch flare\n"
    import_visits(practice, records, write("late.csv", late))
    now = make_vintage(practice, records, cover_rules={})
    assert [v.id for v in vintages(records)] == [early.id, now.id]
    origin = date(2024, 5, 1)
    assert by_week(counts_as_known(records, origin, early), "flare_visits")["03-04"] == 0
    assert by_week(counts_as_known(records, origin, now), "flare_visits")["03-04"] == 1


def test_counts_as_known_hold_no_week_that_had_not_ended_by_the_origin(practice, records, write):
    """An origin on a Sunday does not see the week of that Sunday."""
    import_visits(practice, records, write("v.csv", steady_file()))
    made = make_vintage(practice, records, cover_rules={})
    for origin, last in (
        (date(2024, 3, 10), "2024-02-26"),
        (date(2024, 3, 11), "2024-03-04"),
    ):
        counted = counts_as_known(records, origin, made)
        assert f"{pd.Timestamp(counted['week'].values[-1]):%Y-%m-%d}" == last
    assert counts_as_known(records, date(2020, 1, 1), made).sizes["week"] == 0


def test_the_first_import_of_a_practice_shows_what_was_finally_known(practice, records, write):
    """Whatever the age of its visits, all of them came on one day; a later import changes that."""
    import_visits(practice, records, write("v.csv", steady_file()))
    assert make_vintage(practice, records, cover_rules={}).kind == "as finally known"
    later = replace(practice, now=practice.now + timedelta(days=3))
    import_visits(later, records, write("w.csv", steady_file(13)))
    assert make_vintage(later, records, cover_rules={}).kind == "as known then"
    past = make_vintage(later, records, cover_rules={}, known_on=practice.today)
    assert past.kind == "as finally known"


def test_a_vintage_from_after_the_origin_is_called_as_finally_known(practice, records, write):
    """Only what was known by the origin is called as known then."""
    earlier = replace(practice, now=practice.now - timedelta(days=3))
    import_visits(earlier, records, write("w.csv", steady_file(11)))
    import_visits(practice, records, write("v.csv", steady_file()))
    made = make_vintage(practice, records, cover_rules={})
    assert made.known_on == practice.today
    kinds = [
        counts_as_known(records, origin, made).attrs["counts_kind"]
        for origin in (practice.today, practice.today - timedelta(days=1))
    ]
    assert kinds == ["as known then", "as finally known"]
    attributes = counts_as_known(records, practice.today, made).attrs
    assert attributes["case_definition"].startswith("itch flare after 28")
    assert attributes["visit_vintage"] == made.id


def test_counts_without_visits_are_refused(practice, records):
    """The sentence says what to import."""
    with pytest.raises(VisitError, match="import visits first"):
        make_vintage(practice, records, cover_rules={})


def test_counts_survive_the_erasure_of_an_owner(practice, records, write):
    """Counting anew after it gives the same numbers."""
    text = steady_file() + "a,2024-03-05,n1,D1,itch flare\n"
    import_visits(practice, records, write("v.csv", text))
    before = make_vintage(practice, records, cover_rules={})
    erase_owner(practice, records, owner_of(records, dog_ids(records)["D1"]).reference)
    after = make_vintage(practice, records, cover_rules={})
    origin = practice.today
    held = [counts_as_known(records, origin, made) for made in (before, after)]
    assert held[0].drop_attrs().identical(held[1].drop_attrs())


# ------------------------------------------------------------------------------ cover
WEEKS = pd.date_range("2024-01-01", periods=4, freq="7D")


def dogs(*rows: tuple) -> pd.DataFrame:
    frame = pd.DataFrame(rows, columns=["dog", "since", "until", "region"]).set_index("dog")
    return frame.assign(since=pd.to_datetime(frame["since"]), until=pd.to_datetime(frame["until"]))


def events(*rows: tuple) -> pd.DataFrame:
    names = ["dog", "therapy", "date", "until", "status", "responded"]
    frame = pd.DataFrame(rows, columns=names)
    return frame.assign(
        date=pd.to_datetime(frame["date"]),
        until=pd.to_datetime(frame["until"]),
        responded=frame["responded"].astype(object),
    )


RULES = {"injection": CoverRule(14, False), "course": CoverRule(1, True)}


def share(atopic: pd.DataFrame, therapies: pd.DataFrame, rules=RULES) -> list[float]:
    return covered_share(
        WEEKS,
        regions=["north"],
        atopic=atopic,
        therapies=therapies,
        rules=rules,
    )[0].tolist()


TWO = dogs(("a", "2023-01-01", None, "north"), ("b", "2023-01-01", None, "north"))


def test_a_dose_covers_from_its_day_for_its_days():
    """Given on Monday the 1st for 14 days: two full weeks of one dog in two."""
    given = events(("a", "injection", "2024-01-01", None, "given", None))
    assert share(TWO, given) == [0.5, 0.5, 0.0, 0.0]


def test_part_of_a_week_counts_in_part():
    """Given on Friday the 5th for 14 days: covered 3, 7 and 4 days of 14 dog-days a week."""
    given = events(
        ("b", "injection", "2023-12-01", None, "declined", None),
        ("a", "injection", "2024-01-05", None, "given", None),
    )
    assert share(TWO, given) == [3 / 14, 7 / 14, 4 / 14, 0]


def test_a_dispensed_therapy_takes_its_dog_out_of_the_share():
    """Whether it was given is not known; the other dog alone decides."""
    given = events(
        ("a", "injection", "2024-01-01", None, "dispensed", None),
        ("b", "injection", "2024-01-08", None, "given", None),
    )
    assert share(TWO, given) == [0.0, 1.0, 0.5, 0.0]


def test_where_no_dog_is_known_the_share_is_not_known():
    """Not zero."""
    one = TWO.loc[["a"]]
    given = events(("a", "injection", "2024-01-01", None, "dispensed", None))
    np.testing.assert_equal(share(one, given), [np.nan, np.nan, 0.0, 0.0])


def test_before_the_first_therapy_on_record_nothing_is_known():
    """A region that begins to keep therapies in its third week has no share before."""
    given = events(("a", "injection", "2024-01-15", None, "given", None))
    np.testing.assert_equal(share(TWO, given), [np.nan, np.nan, 0.5, 0.5])
    np.testing.assert_equal(share(TWO, events()), [np.nan] * 4)


def test_the_rules_in_use_take_a_tablet_without_an_end_as_not_known():
    """As the practice's own therapies are ruled: no one day of cover, and no calm after it."""
    still = events(("a", "daily_jak_inhibitor", "2024-01-01", None, "given", True))
    np.testing.assert_equal(share(TWO.loc[["a"]], still, cover_rules()), [np.nan] * 4)
    ended = events(("a", "daily_jak_inhibitor", "2024-01-01", "2024-01-07", "given", True))
    assert share(TWO.loc[["a"]], ended, cover_rules()) == [1.0, 0.0, 0.0, 0.0]
    dose = events(("a", "anti_il31_antibody", "2024-01-01", None, "given", True))
    assert share(TWO.loc[["a"]], dose, cover_rules()) == [1.0, 1.0, 1.0, 1.0]


def test_a_course_covers_until_its_end_and_one_without_end_is_not_known():
    """Until Sunday the 7th: one week; open: nothing is known from then on."""
    ended = events(("a", "course", "2024-01-01", "2024-01-07", "given", None))
    assert share(TWO, ended) == [0.5, 0.0, 0.0, 0.0]
    still = events(("a", "course", "2024-01-01", None, "given", None))
    assert share(TWO, still) == [0.0, 0.0, 0.0, 0.0]
    np.testing.assert_equal(share(TWO.loc[["a"]], still), [np.nan] * 4)


@pytest.mark.parametrize(("status", "responded"), [("declined", None), ("given", False)])
def test_a_declined_dose_and_one_without_response_cover_nothing(status, responded):
    """Both are known, and known to be no cover."""
    given = events(("a", "injection", "2024-01-01", None, status, responded))
    assert share(TWO, given) == [0.0] * 4


def test_a_dog_counts_from_when_it_is_atopic_until_it_is_gone():
    """One joins in the second week, the other leaves after it."""
    atopic = dogs(("a", "2023-01-01", "2024-01-15", "north"), ("b", "2024-01-08", None, "north"))
    given = events(("a", "injection", "2024-01-01", None, "given", None))
    assert share(atopic, given) == [1.0, 0.5, 0.0, 0.0]


def test_a_course_without_an_end_is_not_known_for_as_long_as_it_may_run():
    """For ever where nothing says; else for 6 days and the day after, and then it is over."""
    alone = dogs(("a", "2023-01-01", None, "north"))
    given = events(("a", "course", "2024-01-01", None, "given", None))
    short = {"course": CoverRule(1, True, open_days=6)}
    assert np.isnan(share(alone, given)).all()
    assert np.array_equal(share(alone, given, short), [np.nan, 0.0, 0.0, 0.0], equal_nan=True)


def test_a_therapy_of_unknown_duration_is_refused_by_name():
    """It is not silently taken for no cover."""
    given = events(("a", "injection", "2024-01-01", None, "given", None))
    with pytest.raises(VisitError, match="'injection'"):
        share(TWO, given, {"course": CoverRule(1, True)})


def test_the_share_of_a_practice_comes_from_its_records(practice, records, write):
    """In the north D1 (by a fact) is covered for four weeks, D3 (by a flare) is not."""
    text = steady_file() + "a,2024-02-06,n2,D3,itch flare\n"
    import_visits(practice, records, write("v.csv", text))
    import_facts(
        practice,
        records,
        write("f.csv", "dog,kind,value,date\nD1,atopic_dermatitis,yes,2024-01-02\n"),
    )
    import_therapies(
        practice,
        records,
        write("t.csv", "dog,therapy,date,status\nD1,anti_il31_antibody,2024-02-12,given\n"),
    )
    made = make_vintage(practice, records, cover_rules=COVER)
    counted = counts_as_known(records, practice.today, made)
    north = by_week(counted, "covered_share")
    assert np.isnan(north["02-05"])
    assert [north[week] for week in ("02-12", "03-04", "03-11")] == [0.5, 0.5, 0.0]
    assert np.isnan(counted["covered_share"].sel(region="south")).all()


def test_a_dead_dog_leaves_the_share_after_its_last_record(practice, records, write):
    """D1 dies after its dose of 12 February; from the 13th D3 alone is left."""
    text = steady_file() + "a,2024-02-06,n2,D3,itch flare\nb,2024-02-05,n1,D1,itch flare\n"
    import_visits(practice, records, write("v.csv", text))
    import_therapies(
        practice,
        records,
        write("t.csv", "dog,therapy,date,status\nD1,anti_il31_antibody,2024-02-12,given\n"),
    )
    import_dogs(practice, records, write("d.csv", "dog,status\nD1,dead\n"))
    made = make_vintage(practice, records, cover_rules=COVER)
    north = by_week(counts_as_known(records, practice.today, made), "covered_share")
    assert north["02-12"] == 1 / 8  # one day of D1 beside seven of D3
    assert north["02-19"] == 0
