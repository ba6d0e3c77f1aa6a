"""Imports that differ from the past are told; ordinary ones, a bad season among them, pass."""

import numpy as np
import pandas as pd
import pytest

from forecast.visits.drift import compare

VETS = ("AB", "CD", "EF")


def invent(
    first: str,
    last: str,
    *,
    a_day: float = 12.0,
    flares: float = 0.1,
    seed: int = 1,
    **changed: str,
) -> pd.DataFrame:
    """Poisson visits on weekdays of two branches; flares twice as likely from May to July."""
    rng = np.random.default_rng(seed)
    days = pd.bdate_range(first, last)
    rows = []
    for branch in ("north", "south"):
        date = np.repeat(days, rng.poisson(a_day, len(days)))
        chance = flares * np.where(np.isin(date.month, (5, 6, 7)), 2.0, 1.0)
        kind = np.where(rng.random(len(date)) < chance, "itch flare", "other")
        rows.append(
            pd.DataFrame(
                {
                    "date": date,
                    "branch": branch,
                    "kind": kind,
                    "vet": rng.choice(VETS, len(date)),
                    "unmapped": rng.choice([0.0, 0.1], len(date)),
                }
            )
        )
    return pd.concat(rows, ignore_index=True).assign(**changed)


@pytest.fixture(scope="module")
def past():
    return invent("2019-01-01", "2021-12-31")


def held(found):
    return {(drift.measure, drift.where) for drift in found if drift.holds}


@pytest.mark.parametrize("seed", range(2, 12))
def test_more_of_the_same_is_not_held(past, seed):
    """Ten other years of the same practice differ by chance alone."""
    assert held(compare(past, invent("2022-01-01", "2022-12-31", seed=seed))) == set()


@pytest.mark.parametrize("n_days", [1, 2, 3, 5])
def test_files_of_a_few_days_are_not_held(past, n_days):
    """A practice brings each day's visits, which one vet saw: nothing of that is a change."""
    days = pd.bdate_range("2022-03-01", periods=20)
    for at in range(0, len(days), n_days):
        some = days[at : at + n_days]
        new = invent(str(some[0].date()), str(some[-1].date()), seed=at, vet=VETS[at % 3])
        assert held(compare(past, new)) == set()


def test_a_file_of_a_day_on_which_nobody_works_is_held(past):
    sunday = invent("2022-03-01", "2022-03-01").assign(date=pd.Timestamp("2022-03-06"))
    assert ("weekdays", "") in held(compare(past, sunday))


def test_a_day_that_lacks_most_of_a_branch_is_held(past):
    """Of 60 visits that a large branch has a day, 6 came; by chance 30 or more would."""
    large = past.loc[past.index.repeat(5)].reset_index(drop=True)
    tenth = invent("2022-03-01", "2022-03-01", a_day=6.0)
    assert ("volume", "north") in held(compare(large, tenth))


def test_a_month_of_the_season_is_laid_beside_the_same_month(past):
    """June has twice the flares of the year's other months, as it had before: nothing is wrong."""
    assert held(compare(past, invent("2022-06-01", "2022-06-30", seed=3))) == set()


def test_a_bad_season_is_not_a_change_of_coding(past):
    """A third more flares happen; twice as many with the same dogs do not."""
    assert held(compare(past, invent("2022-01-01", "2022-12-31", flares=0.13, seed=3))) == set()
    doubled = compare(past, invent("2022-01-01", "2022-12-31", flares=0.2, seed=3))
    assert held(doubled) == {("flare share", "")}
    assert doubled[0].now == pytest.approx(2 * doubled[0].before, rel=0.15)


def test_flares_that_vanish_are_held_too(past):
    """A code that was renamed takes its flares away."""
    assert ("flare share", "") in held(
        compare(past, invent("2022-01-01", "2022-12-31", flares=0.02))
    )


def test_a_branch_that_came_twice_is_held(past):
    """Every visit of one branch twice: its volume doubles, the other's does not."""
    new = invent("2022-01-01", "2022-12-31", seed=3)
    twice = pd.concat([new, new[new["branch"] == "north"]])
    assert held(compare(past, twice)) == {("volume", "north")}


def test_a_few_visits_entered_late_do_not_make_a_file_look_quiet(past):
    """A quarter's file with four stragglers of the last year: as full as the quarter is."""
    new = invent("2022-01-01", "2022-03-31", seed=3)
    late = new.head(4).assign(date=pd.to_datetime("2021-06-01"))
    assert held(compare(past, pd.concat([late, new]))) == set()


def test_a_file_with_a_hole_is_held(past):
    """Two of five months lost from the middle of one branch's file."""
    new = invent("2022-01-01", "2022-05-31", seed=3)
    hole = (new["branch"] == "north") & new["date"].between("2022-02-01", "2022-03-31")
    assert held(compare(past, new[~hole])) == {("volume", "north")}


def test_item_strings_in_no_class_are_held(past):
    """A tenth more of the lines than before."""
    new = invent("2022-01-01", "2022-12-31", seed=3)
    assert held(compare(past, new.assign(unmapped=0.3))) == {("items in no class", "")}


def test_other_vets_are_held_and_one_new_colleague_is_not(past):
    """One of three vets leaves and another comes: a third of the visits; all renamed: all."""
    new = invent("2022-01-01", "2022-12-31", seed=3)
    assert held(compare(past, new.assign(vet=new["vet"].replace({"AB": "XY"})))) == set()
    assert held(compare(past, new.assign(vet="initials " + new["vet"]))) == {("vets", "")}


def test_days_read_as_months_are_seen_by_their_weekdays(past):
    """5 April for 4 May: visits of weekdays fall on Saturdays and Sundays."""
    new = invent("2022-01-01", "2022-12-31", seed=3)
    date = new["date"]
    swapped = date[date.dt.day <= 12].map(
        lambda day: pd.Timestamp(year=day.year, month=day.day, day=day.month)
    )
    found = held(compare(past, new.loc[swapped.index].assign(date=swapped)))
    assert ("weekdays", "") in found


def test_branches_that_open_or_fall_silent_are_told_with_their_days(past):
    """South moves to west on 1 June 2022: told, not held, and the days are those of the file."""
    new = invent("2022-01-01", "2022-12-31", seed=3)
    moved = (new["branch"] == "south") & (new["date"] >= "2022-06-01")
    told = [d for d in compare(past, new.assign(branch=new["branch"].mask(moved, "west")))]
    sentences = {d.where: d.sentence for d in told if d.measure == "branch"}
    assert sentences["west"].endswith("from 2022-06-01 on")
    assert "no visit after 2022-05-31" in sentences["south"]
    assert "west opened meanwhile" in sentences["south"]
    assert not any(d.holds for d in told if d.measure == "branch")


def test_a_branch_that_goes_into_another_is_told_with_the_day_and_how_much(past):
    """South, twelve visits a weekday, goes into north on 1 June 2022: some 60 more a week there.

    A branch that closes and whose owners go elsewhere is told alone.
    """
    new = invent("2022-01-01", "2022-12-31", seed=3)
    gone = (new["branch"] == "south") & (new["date"] >= "2022-06-01")
    found = compare(past, new.assign(branch=new["branch"].mask(gone, "north")))
    (told,) = [d for d in found if d.measure == "branch"]
    assert told.sentence.startswith("branch south has no visit after 2022-05-31; branch north has ")
    more = int(told.sentence.split("north has had ")[1].split()[0])
    assert 54 <= more <= 66
    (closed,) = [d for d in compare(past, new[~gone]) if d.measure == "branch"]
    assert closed.sentence == "branch south has no visit after 2022-05-31"


def test_too_short_a_past_says_nothing_of_what_is_usual():
    """Two months of visits are no past to be held against."""
    short = invent("2021-11-01", "2021-12-31")
    assert compare(short, invent("2022-01-01", "2022-12-31", flares=0.5)) == []


def test_columns_that_one_side_lacks_are_not_compared(past):
    """Old files of the house's own format know neither vets nor items."""
    plain = past.drop(columns=["vet", "unmapped"])
    assert held(compare(plain, invent("2022-01-01", "2022-12-31", seed=3, vet="new"))) == set()
