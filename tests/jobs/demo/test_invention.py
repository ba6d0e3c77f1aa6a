from __future__ import annotations

import ast
import math
from collections.abc import Callable
from datetime import date, timedelta
from pathlib import Path
from typing import get_args

import numpy as np
import pandas as pd
import pytest
import xarray as xr

import jobs.demo
from jobs.demo.dogs import THERAPIES, gather
from jobs.demo.invention import InventedPractice, invent_practice, write_csv
from jobs.demo.places import TABLE, DemoError, lay_out, listed
from jobs.demo.worlds import World

AS_OF = pd.Timestamp("2023-03-01")
WORLDS = get_args(World)
MAIN = ("visits", "therapies", "scores", "facts")
COLUMNS = {
    "branches": ["id", "name", "region", "open_days"],
    "dogs": [
        "dog",
        "name",
        "owner",
        "owner_contact",
        "owner_language",
        "consent",
        "species",
        "breed",
        "birth_date",
        "sex",
        "status",
        "region",
        "branch",
        "vet",
    ],
    "facts": ["dog", "kind", "value", "date"],
    "visits": ["visit", "date", "branch", "dog", "kind", "minutes"],
    "therapies": ["dog", "therapy", "date", "status", "reason", "responded"],
    "scores": ["dog", "date", "pvas", "scorer"],
}

Invent = Callable[[World], InventedPractice]


def weekly(practice: InventedPractice, kind: str = "itch flare") -> pd.DataFrame:
    """Return visits of a kind by Monday and region; weeks missing from the export stay missing."""
    visits = practice.visits[practice.visits["kind"] == kind]
    monday = visits["date"] - pd.to_timedelta(visits["date"].dt.day_of_week, unit="D")
    weeks = pd.date_range("2017-03-06", "2023-02-20", freq="7D")
    ids = practice.branches["id"]
    counts = pd.crosstab(monday, visits["branch"]).reindex(weeks, columns=ids, fill_value=0)
    counts = counts.astype(float)
    for branch, week in practice.missing_weeks.itertuples(index=False):
        if week in counts.index:
            counts.loc[week, branch] = np.nan
    counts.columns = pd.Index(practice.branches["region"])
    return counts


# --- what the tables hold


@pytest.mark.parametrize("world", WORLDS)
def test_nothing_in_the_main_tables_is_after_the_as_of_date(practice: Invent, world: World) -> None:
    """The truth to come is apart, and begins the day after."""
    made = practice(world)
    for name in MAIN:
        assert getattr(made, name)["date"].max() <= AS_OF
    for frame in (made.visits_to_come, made.therapies_to_come):
        assert frame["date"].min() > AS_OF
    assert made.dogs["birth_date"].max() < AS_OF


def test_the_truth_to_come_holds_a_whole_season(practice: Invent) -> None:
    """About sixteen months of visits follow, numbered on, of dogs that are in either register."""
    made = practice("humidity")
    come = made.visits_to_come
    assert come["date"].max() >= pd.Timestamp("2024-06-25")
    assert come["visit"].iloc[0] > made.visits["visit"].iloc[-1]
    registered = set(made.dogs["dog"]) | set(made.dogs_to_come["dog"])
    assert set(come["dog"].dropna()) <= registered
    assert not set(made.dogs["dog"]) & set(made.dogs_to_come["dog"])


@pytest.mark.parametrize("world", WORLDS)
def test_the_tables_fit_together(practice: Invent, world: World) -> None:
    """Every dog named anywhere is registered, and every word is one the import knows."""
    made = practice(world)
    registered = set(made.dogs["dog"])
    for name in MAIN:
        assert set(getattr(made, name)["dog"].dropna()) <= registered
    assert made.dogs["dog"].is_unique
    assert made.visits["visit"].is_unique
    assert set(made.visits["kind"]) == {"itch flare", "recheck", "scheduled dose", "other"}
    assert set(made.therapies["therapy"]) == set(THERAPIES)
    assert set(made.therapies["status"]) == {"given", "dispensed", "declined"}
    assert set(made.therapies["reason"]) == {"itch", "calendar", "not known"}
    assert made.scores["pvas"].between(0, 10).all()
    assert set(made.visits["branch"]) == set(made.branches["id"])


@pytest.mark.parametrize("world", WORLDS)
def test_no_visit_on_a_closed_day(practice: Invent, world: World) -> None:
    """Sundays, each branch's own closed days and the holidays are empty."""
    made = practice(world)
    words = made.branches.set_index("id")["open_days"]
    pairs = made.visits[["branch", "date"]].drop_duplicates()
    weekday = pairs["date"].dt.strftime("%a").str.lower()
    assert all(
        day in words[branch].split() for branch, day in zip(pairs["branch"], weekday, strict=True)
    )
    assert not made.visits["date"].isin(made.closures["date"]).any()


@pytest.mark.parametrize("world", WORLDS)
def test_sizes_are_those_of_a_small_group(practice: Invent, world: World) -> None:
    """About 300 dogs, 110 to 160 thousand rows, about 100 other visits a branch and week."""
    made = practice(world)
    assert 270 <= (made.dogs["status"] == "active").sum() <= 340
    assert 110_000 <= len(made.visits) <= 160_000
    other = weekly(made, "other").loc["2019":].mean()
    assert other.between(85, 125).all()


@pytest.mark.parametrize("world", WORLDS)
def test_flare_visits_have_the_season_that_was_asked_for(practice: Invent, world: World) -> None:
    """Peak to trough between 3 and 6 over all regions, 2 to 8 a branch and week in season."""
    counts = weekly(practice(world))
    by_week = counts.groupby(counts.index.isocalendar().week).mean().sum(axis=1).iloc[:52]
    around = pd.concat([by_week.iloc[-3:], by_week, by_week.iloc[:3]])
    smooth = around.rolling(7, center=True).mean().dropna()
    assert 3 <= smooth.max() / smooth.min() <= 6
    season = counts.loc["2022-06-01":"2022-09-30"].mean()
    assert season.between(2, 8).all()


def test_the_practice_grows_and_one_branch_opens_a_year_later(practice: Invent) -> None:
    """Flare visits rise over the years, and the last branch has none before March 2018."""
    made = practice("humidity")
    counts = weekly(made)
    early, late = counts.loc["2017-04":"2018-02"], counts.loc["2022-04":"2023-02"]
    assert late.sum().sum() > 1.4 * early.sum().sum()
    first = made.visits.groupby("branch")["date"].min()
    assert first["ochre"] >= pd.Timestamp("2018-03-05")
    assert first["amber"] < pd.Timestamp("2017-03-13")


def test_some_branch_weeks_never_reached_the_export(practice: Invent) -> None:
    """Missing weeks exist, hold no visit at all, and spare the weeks before the as-of date."""
    made = practice("humidity")
    known = made.missing_weeks[made.missing_weeks["week"] < AS_OF]
    assert 5 <= len(known) <= 40
    monday = made.visits["date"] - pd.to_timedelta(made.visits["date"].dt.day_of_week, unit="D")
    present = set(zip(made.visits["branch"], monday, strict=True))
    assert not present & set(known.itertuples(index=False, name=None))
    assert known["week"].max() < AS_OF - pd.Timedelta(weeks=11)


def test_some_dogs_left_and_none_is_seen_afterwards(practice: Invent) -> None:
    """Died, moved and left are all there; most dogs stay."""
    made = practice("humidity")
    assert set(made.dogs["status"]) == {"active", "dead", "moved", "left"}
    gone = made.dogs.loc[made.dogs["status"] != "active", "dog"]
    assert not made.visits_to_come["dog"].isin(gone).any()


def test_much_is_not_known(practice: Invent) -> None:
    """Facts are missing for many dogs, and some records say only that it is not known."""
    made = practice("humidity")
    dogs = made.dogs[made.dogs["species"] == "dog"]
    for kind in ("demodicosis", "neoplasia", "pregnant_or_lactating", "flea_control", "food_trial"):
        share = dogs["dog"].isin(made.facts.loc[made.facts["kind"] == kind, "dog"]).mean()
        assert 0.3 < share < 0.9
    assert (made.facts["value"] == "not known").any()
    assert dogs["birth_date"].isna().any()
    assert dogs["breed"].isna().any()
    weighed = made.facts[made.facts["kind"] == "weight_kg"].groupby("dog")["date"].max()
    assert ((AS_OF - weighed).dt.days > 365).mean() > 0.1


def test_pregnancy_is_only_of_entire_females(practice: Invent) -> None:
    """No male and no neutered dog is on record as pregnant."""
    made = practice("humidity")
    pregnant = made.facts.query("kind == 'pregnant_or_lactating' and value == 'yes'")["dog"]
    assert set(made.dogs.set_index("dog")["sex"].reindex(pregnant)) <= {"female"}


def test_itch_scores_fall_after_an_injection_that_helps(practice: Invent) -> None:
    """Two to four weeks on, dogs that respond score lower than dogs that do not."""
    made = practice("humidity")
    doses = made.therapies.query("therapy == 'anti_il31_antibody' and status == 'given'")
    both = doses[["dog", "date"]].merge(made.scores, on="dog", suffixes=("_dose", ""))
    both = both[(both["date"] - both["date_dose"]).dt.days.between(14, 28)]
    responds = made.true_dogs.set_index("dog")["responds_to_anti_il31_antibody"]
    mean = both["pvas"].groupby(both["dog"].map(responds)).mean()
    assert mean[True] < mean[False] - 0.5


# --- the truth behind


@pytest.mark.parametrize("world", WORLDS)
def test_the_truth_adds_up(practice: Invent, world: World) -> None:
    """Without cover = background + what the drivers add; cover only ever takes away."""
    truth = practice(world).truth
    total = truth["background"] + truth["added"].sum("driver")
    np.testing.assert_allclose(truth["without_cover"], total)
    assert (truth["with_cover"] <= truth["without_cover"] + 1e-9).all()
    began, expected = float(truth["flares"].sum()), float(truth["with_cover"].sum())
    # Those already flaring cannot flare anew, so fewer begin than the hazards add up to.
    assert 0.6 * expected < began < expected + 3 * math.sqrt(expected)


def test_the_truth_of_none_has_no_weather_term(practice: Invent) -> None:
    """There is no driver, and the hazard per unit of shocks is the same every year."""
    truth = practice("none").truth
    assert truth.sizes["driver"] == 0
    np.testing.assert_array_equal(truth["without_cover"], truth["background"])


def humidity_anomaly(weather: xr.Dataset, truth: xr.Dataset) -> pd.DataFrame:
    """Return weekly mean relative humidity, against its own mean for that week of the year."""
    hurs = weather["hurs"].sel(region=truth["region"], time=slice("2017-03-06", None))
    weekly_mean = hurs.transpose("time", "region").to_pandas().resample("7D").mean()
    return anomaly(weekly_mean.loc["2018-07":])


def anomaly(frame: pd.DataFrame) -> pd.DataFrame:
    return frame - frame.groupby(frame.index.isocalendar().week).transform("mean")


def flare_anomaly(truth: xr.Dataset) -> pd.DataFrame:
    """Return the log of the true hazard, shocks taken off, a dog, against its week of the year."""
    shocks = truth["log_shared_shock"] + truth["log_own_shock"]
    log = np.log(truth["without_cover"] / truth["dogs"]) - shocks
    return anomaly(log.transpose("week", "region").to_pandas().loc["2018-07":])


def test_only_the_humidity_world_follows_humidity(practice: Invent, weather: xr.Dataset) -> None:
    """Damper than usual means more flares than usual in one world, not in the other two."""
    followed = {}
    for world in WORLDS:
        truth = practice(world).truth
        damp = humidity_anomaly(weather, truth).to_numpy().ravel()
        flares = flare_anomaly(truth).to_numpy().ravel()
        followed[world] = np.corrcoef(damp[: len(flares)], flares)[0, 1]
    assert followed["humidity"] > 0.6
    assert abs(followed["none"]) < 0.15
    assert followed["pollen"] < 0.15


def test_only_the_pollen_world_follows_cherry(practice: Invent, flowering: pd.DataFrame) -> None:
    """Birch-like pollen adds flares in the weeks after the observed cherry date, not before it."""
    truth = practice("pollen").truth
    added = truth["added"].sel(driver="birch_like")
    seen = flowering[(flowering["species"] == "cherry") & (flowering["stage"] == "flowering")]
    for region, day in zip(seen["region"], pd.to_datetime(seen["date"]), strict=True):
        if region in truth["region"] and day.year >= 2019:
            monday = day - pd.Timedelta(days=day.day_of_week)
            ahead = added.sel(region=region, week=monday - pd.Timedelta(weeks=1))
            after = added.sel(region=region, week=monday + pd.Timedelta(weeks=2))
            assert float(after) > 0.2
            assert float(ahead) < 0.02 * float(after)
    assert "birch_like" not in practice("humidity").truth["driver"]


def test_dogs_are_the_same_in_every_world(practice: Invent) -> None:
    """A seed's dogs, owners and other visits do not depend on the world."""
    first, second = practice("humidity"), practice("none")
    pd.testing.assert_frame_equal(first.dogs, second.dogs)
    pd.testing.assert_frame_equal(first.owners, second.owners)
    pd.testing.assert_frame_equal(weekly(first, "other"), weekly(second, "other"))


# --- seeds, dates, names


def test_a_seed_gives_the_same_practice_again(
    practice: Invent, weather: xr.Dataset, flowering: pd.DataFrame
) -> None:
    """Every table and the truth are equal; another seed is another practice."""
    again = invent_practice(weather, flowering, world="humidity", seed=1, as_of=AS_OF.date())
    first = practice("humidity")
    for name in (*COLUMNS, "owners", "missing_weeks", "visits_to_come", "true_dogs"):
        pd.testing.assert_frame_equal(getattr(first, name), getattr(again, name))
    xr.testing.assert_identical(first.truth, again.truth)
    other = gather(lay_out(weather, flowering), world="humidity", seed=2, extra=0)
    shared = slice(0, min(len(other), len(first.true_dogs)))
    assert not np.isclose(other.baseline[shared], first.true_dogs["baseline"][shared]).any()


def test_another_as_of_date_leaves_the_other_dogs_as_they_were(
    practice: Invent, weather: xr.Dataset, flowering: pd.DataFrame
) -> None:
    """A year later the same past is told, but for a visit moved by a full diary."""
    later = invent_practice(weather, flowering, world="humidity", seed=1, as_of=date(2024, 3, 1))
    made = practice("humidity")

    def flares(one: InventedPractice) -> set[tuple[object, ...]]:
        past = one.visits[(one.visits["kind"] == "itch flare") & (one.visits["date"] < "2022-11")]
        mine = past[~past["dog"].isin(made.named_cases.values())]
        return set(mine[["dog", "date"]].itertuples(index=False, name=None))

    before, after = flares(made), flares(later)
    assert len(before ^ after) < 0.03 * len(before)
    assert later.visits["date"].max() > pd.Timestamp("2024-02-25")


@pytest.mark.parametrize("as_of", [date(2017, 6, 1), date(2030, 1, 1)])
def test_an_as_of_date_outside_the_weather_is_refused(
    weather: xr.Dataset, flowering: pd.DataFrame, as_of: date
) -> None:
    """The message says which dates are possible."""
    with pytest.raises(DemoError, match=r"choose one from 2019-05-15 to 2024-06-30"):
        invent_practice(weather, flowering, world="none", seed=1, as_of=as_of)


def test_every_name_is_from_the_invented_lists(practice: Invent) -> None:
    """No dog, owner, breed, branch or contact comes from anywhere but the table."""
    made = practice("humidity")
    assert set(made.dogs["name"]) <= set(listed("names.dogs"))
    assert set(made.dogs["breed"].dropna()) <= set(listed("names.breeds"))
    assert set(made.branches["name"]) <= set(listed("practice.branch_names"))
    first, last = zip(*made.dogs["owner"].str.split(" "), strict=True)
    assert set(first) <= set(listed("names.owners_first"))
    assert set(last) <= set(listed("names.owners_last"))
    assert made.dogs["owner_contact"].dropna().str.endswith(".invalid").all()


def test_two_dogs_of_an_owner_live_in_one_region(practice: Invent) -> None:
    """A household has one home."""
    made = practice("humidity")
    regions = made.dogs.groupby("owner")["region"].nunique()
    assert (regions == 1).all()
    assert made.dogs["owner"].duplicated().sum() > 10


def test_every_number_is_marked_assumed() -> None:
    """Nothing in the invention is offered as a finding."""
    assert {p.status for p in TABLE.parameters.values()} == {"assumed"}


SERVING = ("serving", "entering", "people", "moment")  # the demo as a web application


def test_the_invention_uses_nothing_of_the_forecasting_models() -> None:
    """Only the parameter loader is imported from below, so forecasts are judged, not mirrored."""
    for path in Path(jobs.demo.__file__).parent.rglob("*.py"):
        # these drive the forecast and invent nothing
        if path.stem in {
            *("run", "report", "in_memory", "plan_judging", "front_desk", "staffed_seasons"),
            *SERVING,
        }:
            continue
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ImportFrom) and node.module:
                assert node.module.split(".")[0] != "forecast"
                if node.module.startswith("models"):
                    assert node.module in {"models.parameters", "models.errors"}


# --- the named cases


@pytest.mark.parametrize("world", WORLDS)
def test_the_named_cases_tell_their_stories(practice: Invent, world: World) -> None:
    """Each of the eight shows what it is there to show, on the as-of date."""
    made = practice(world)
    dogs, case = made.dogs.set_index("dog"), made.named_cases
    assert len(case) == 8
    assert (dogs.loc[list(case.values()), "status"] == "active").all()
    assert (AS_OF - dogs.loc[case["pup"], "birth_date"]).days == pytest.approx(304, abs=1)
    assert dogs.loc[case["cat"], "species"] == "cat"
    assert pd.isna(dogs.loc[case["facts_not_known"], "birth_date"])
    assert case["facts_not_known"] not in set(made.facts["dog"])
    assert latest(made, case["small_dog"], "weight_kg") == "2.5"
    assert latest(made, case["untreated_infection"], "skin_infection") == "yes"


@pytest.mark.parametrize("world", WORLDS)
def test_the_pre_season_dog_is_ready(practice: Invent, world: World) -> None:
    """It flared in most springs or summers, its work-up is whole, and nothing covers it now."""
    made = practice(world)
    dog = made.named_cases["pre_season"]
    visits = made.visits.query("dog == @dog and kind == 'itch flare'")["date"]
    assert visits[visits.dt.month.between(3, 9)].dt.year.nunique() >= 4
    assert latest(made, dog, "skin_infection") == "no"
    assert latest(made, dog, "flea_control") == latest(made, dog, "food_trial") == "yes"
    assert latest(made, dog, "demodicosis") == latest(made, dog, "neoplasia") == "no"
    doses = made.therapies.loc[made.therapies["dog"] == dog, "date"]
    assert doses.max() < AS_OF - pd.Timedelta(days=40)


@pytest.mark.parametrize("world", WORLDS)
def test_the_itching_dog_and_the_recently_dosed_dog(practice: Invent, world: World) -> None:
    """One itches now with nothing taken; the other had its injection about three weeks ago."""
    made = practice(world)
    case = made.named_cases
    seen = made.visits.query("dog == @case['itching_now'] and kind == 'itch flare'")["date"].max()
    assert AS_OF - timedelta(days=7) <= seen <= AS_OF
    last = made.therapies[made.therapies["dog"] == case["itching_now"]].iloc[-1]
    assert last["status"] == "declined"
    score = made.scores[made.scores["dog"] == case["itching_now"]].iloc[-1]
    assert score["pvas"] > 5.5
    dose = made.therapies[made.therapies["dog"] == case["recent_dose"]].iloc[-1]
    assert (dose["therapy"], dose["status"]) == ("anti_il31_antibody", "given")
    assert 17 <= (AS_OF - dose["date"]).days <= 21


def latest(practice: InventedPractice, dog: str, kind: str) -> str:
    facts = practice.facts.query("dog == @dog and kind == @kind").sort_values("date")
    return str(facts["value"].iloc[-1])


# --- the files


def test_the_files_are_those_that_the_import_reads(practice: Invent, tmp_path: Path) -> None:
    """Six files with the agreed columns, ISO dates, and nothing of the truth."""
    written = write_csv(practice("humidity"), tmp_path / "export")
    assert {path.stem for path in written} == set(COLUMNS) == {p.stem for p in written}
    for path in written:
        head = pd.read_csv(path, nrows=200, dtype=str)
        assert list(head.columns) == COLUMNS[path.stem]
        if "date" in head:
            assert head["date"].str.fullmatch(r"\d{4}-\d\d-\d\d").all()
