"""The data cut: nothing after an origin is ever seen, and what is missing before it is said."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from forecast.array_files import content_hash
from forecast.climate import open_climate
from forecast.climate.variables import variables
from forecast.cut import CutError, DataCut, Known, known_at, take_cut
from forecast.records import open_records
from forecast.records.vintages import add_vintage
from forecast.training import futures, train
from models.weeks import monday_of

EARLIER = date(2022, 3, 16)
CASE = "version 1"


def poisoned(known: Known, origin: date) -> Known:
    """Return the same up to an origin, and nonsense from it on."""
    day = np.datetime64(origin)
    weather = known.observed.copy(deep=True)
    for name in weather.data_vars:
        weather[name] = weather[name].where(weather["time"] < day, 9e5)
    flowering = known.flowering.copy()
    late = flowering["date"] >= pd.Timestamp(origin)
    assert late.any()
    flowering.loc[late, "date"] += pd.Timedelta(days=200)
    counts = known.counts.copy(deep=True)
    ended = counts["week"] + np.timedelta64(7, "D") <= day
    for name, nonsense in {"flare_visits": 1e4, "consultations": 2e4, "covered_share": 0.9}.items():
        counts[name] = counts[name].where(ended, nonsense)
    return Known(known.origin, weather, flowering, counts)


def test_nothing_after_an_earlier_origin_reaches_a_model_or_a_forecast(known, places, cut):
    """With all that follows poisoned, the same model by hash and the same futures come out."""
    hashes, drawn = [], []
    for everything in (known, poisoned(known, EARLIER)):
        then = everything.before(EARLIER)
        model = train(then, places, cut=replace(cut, origin=EARLIER))
        hashes.append(model.hash)
        drawn.append(futures(model, then, n_weeks=26, n_draws=30, seed=[1, 2]))
    assert hashes[0] == hashes[1]
    one, two = drawn
    for name in ("weekly", "start", "peak", "end"):
        assert getattr(one.exposure, name).identical(getattr(two.exposure, name))
    for name in ("visits", "pressure", "consultations"):
        assert getattr(one.visits, name).identical(getattr(two.visits, name))


def test_poison_before_the_origin_is_seen(known, places, cut):
    """The test above can fail: the same poison a quarter earlier changes the model."""
    hashes = [
        train(k.before(EARLIER), places, cut=cut).hash
        for k in (known, poisoned(known, date(2021, 12, 1)))
    ]
    assert hashes[0] != hashes[1]


def test_a_gap_is_not_bridged_to_a_day_that_was_not_known_yet(known):
    """Three days missing around an origin are filled later, but not as seen from that origin."""
    weather = known.observed.copy(deep=True)
    gap = slice("2022-03-14", "2022-03-17")
    weather["hurs"].loc[{"region": "north", "time": gap}] = np.nan
    whole = Known(known.origin, weather, known.flowering, known.counts)
    assert whole.weather["hurs"].notnull().all()
    then = whole.before(EARLIER)
    assert then.weather_until == date(2022, 3, 13)
    assert then.weather["time"].values[-1] == np.datetime64("2022-03-13")


def test_only_weeks_that_ended_by_the_origin_are_counted(known):
    """An origin on a Monday sees the week before it, one on the Sunday does not."""
    for day, last in ((date(2022, 3, 14), "2022-03-07"), (date(2022, 3, 13), "2022-02-28")):
        counts = known.before(day).counts
        assert counts["week"].values[-1] == np.datetime64(last)


def test_only_flowering_before_the_origin_is_seen(known):
    """Cherry of this spring flowers after mid-March."""
    seen = known.before(EARLIER).flowering["date"]
    assert seen.max() < pd.Timestamp(EARLIER) < known.flowering["date"].max()


def test_a_known_never_shows_days_from_its_origin_on(known):
    """Even weather put into it by mistake stays out of sight."""
    early = Known(EARLIER, known.observed, known.flowering, None)
    assert early.weather_until < EARLIER


def test_a_cut_survives_being_written_as_attributes(cut):
    """With and without a vintage."""
    for one in (cut, replace(cut, visit_vintage=None, case_definition="")):
        assert DataCut.from_attributes(one.as_attributes()) == one


# ------------------------------------------------------------------------------ from a practice
def load(practice, weather: xr.Dataset) -> None:
    for name, variable in variables().items():
        weather[name].attrs = dict(variable.attributes)
    open_climate(practice).append_weather(
        weather,
        source="made up",
        licence="none",
        credit="nobody",
        retrieved_at=datetime(2022, 6, 29, tzinfo=UTC),
    )


def vintage_of(records, known_on: date, n_visits: float = 3.0, first: str = "2022-01-03"):
    rows = [
        {"region_id": "north", "week": week.date(), "flare_visits": n_visits}
        | {"consultations": 50.0, "covered_share": None}
        for week in pd.date_range(first, "2022-06-20", freq="7D")
        if week.date() < monday_of(known_on)
    ]
    return add_vintage(
        records,
        rows,
        known_on=known_on,
        made_at=datetime(2022, 6, 29, tzinfo=UTC),
        case_definition=CASE,
        kind="as known then",
    )


@pytest.fixture
def stores(small, make_weather):
    """Give a practice that holds a little weather of its regions and of a third place."""
    regions = ("north", "south", "elsewhere")
    load(small, make_weather(first="2022-01-01", last="2022-06-20", regions=regions))
    return small, open_records(small), open_climate(small)


def test_a_past_origin_is_a_hindcast_and_today_is_issued(stores):
    """The practice's day is the 29th of June."""
    practice, records, climate = stores
    kinds = {
        day: take_cut(practice, records, climate, origin=day).kind
        for day in (practice.today, date(2022, 6, 28))
    }
    assert kinds == {date(2022, 6, 29): "issued", date(2022, 6, 28): "hindcast"}


def test_a_cut_takes_no_vintage_that_was_known_only_later(stores):
    """Of three vintages the newest by the origin is pinned; before the first there is none."""
    practice, records, climate = stores
    made = [vintage_of(records, day) for day in (date(2022, 4, 4), date(2022, 5, 2), EARLIER)]
    pinned = [
        take_cut(practice, records, climate, origin=day).visit_vintage
        for day in (date(2022, 6, 1), date(2022, 4, 30), date(2022, 3, 20), date(2022, 3, 1))
    ]
    assert pinned == [made[1].id, made[0].id, made[2].id, None]


def test_what_is_known_is_read_by_region_and_day(stores):
    """Regions stand in the order of the settings, other places are left out, so is the day of."""
    practice, records, climate = stores
    vintage_of(records, date(2022, 6, 6))
    cut = take_cut(practice, records, climate, origin=date(2022, 6, 8))
    known = known_at(practice, records, climate, cut=cut)
    assert known.weather["region"].values.tolist() == ["north", "south"]
    assert known.weather_until == date(2022, 6, 7)
    assert known.counts["region"].values.tolist() == ["north", "south"]
    assert known.counts["flare_visits"].sel(region="south").isnull().all()
    assert known.counts["week"].values[-1] == np.datetime64("2022-05-30")


def test_a_snapshot_pins_the_weather_as_it_was_held(stores, make_weather):
    """Values that are corrected after the cut do not reach it."""
    practice, records, climate = stores
    cut = take_cut(practice, records, climate, origin=date(2022, 6, 8))
    before = known_at(practice, records, climate, cut=cut).weather
    load(practice, make_weather(first="2022-01-01", last="2022-06-20", seed=9))
    assert known_at(practice, records, climate, cut=cut).weather.identical(before)
    newer = take_cut(practice, records, climate, origin=date(2022, 6, 8))
    after = known_at(practice, records, climate, cut=newer).weather
    assert not after["tas"].equals(before["tas"])


def test_weather_may_end_some_days_before_the_origin_but_not_long(stores):
    """It is held until 20 June: 31 days on it is still used, a day later it is refused."""
    practice, records, climate = stores
    for day, days_missing in ((date(2022, 7, 22), 31), (date(2022, 6, 29), 8)):
        cut = take_cut(practice, records, climate, origin=day)
        known = known_at(practice, records, climate, cut=cut)
        assert (day - known.weather_until).days - 1 == days_missing
    cut = take_cut(practice, records, climate, origin=date(2022, 7, 23))
    with pytest.raises(CutError, match=r"held until 2022-06-20.*--as-of 2022-06-21"):
        known_at(practice, records, climate, cut=cut)


def test_a_region_without_weather_is_named(small, make_weather):
    """The sentence says which region, and how to load it."""
    load(small, make_weather(first="2022-01-01", last="2022-06-20", regions=("north",)))
    records, climate = open_records(small), open_climate(small)
    cut = take_cut(small, records, climate, origin=small.today)
    with pytest.raises(CutError, match=r"region south: load it with `forepaw import weather"):
        known_at(small, records, climate, cut=cut)


def test_a_variable_that_was_never_measured_is_named(small, make_weather):
    """No wind in the south: it is said, and nothing is put in its place."""
    weather = make_weather(first="2022-01-01", last="2022-06-20")
    weather["sfcWind"].loc[{"region": "south"}] = np.nan
    load(small, weather)
    records, climate = open_records(small), open_climate(small)
    cut = take_cut(small, records, climate, origin=small.today)
    with pytest.raises(CutError, match="sfcWind of south is not held before that day"):
        known_at(small, records, climate, cut=cut)


def test_the_same_data_read_twice_are_the_same_to_the_bit(stores):
    """Nothing in reading depends on when it is done."""
    practice, records, climate = stores
    cut = take_cut(practice, records, climate, origin=date(2022, 6, 8))
    hashes = [
        content_hash(xr.DataTree(known_at(practice, records, climate, cut=cut).weather))
        for _ in range(2)
    ]
    assert hashes[0] == hashes[1]
