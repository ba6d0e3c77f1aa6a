"""The data cut: nothing after an origin is ever seen, and what is missing before it is said."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from forecast.array_files import content_hash
from forecast.climate import join_sources, open_climate
from forecast.climate.variables import variables
from forecast.cut import (
    CutError,
    DataCut,
    Known,
    StaleSource,
    WeatherGap,
    known_at,
    known_weather,
    take_cut,
    weather_order,
)
from forecast.issuing import IssueError, draw_forecast
from forecast.records import open_records
from forecast.records.vintages import add_vintage
from forecast.settings import PullSection
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


@pytest.mark.usefixtures("all_members")
def test_nothing_after_an_earlier_origin_reaches_a_model_or_a_forecast(known, places, cut):
    """With all that follows poisoned, the same model by hash and the same futures come out."""
    hashes, drawn = [], []
    for everything in (known, poisoned(known, EARLIER)):
        then = everything.before(EARLIER)
        model = train(then, places, cut=replace(cut, origin=EARLIER))
        assert model.visits.pressure_.direct_lag_ is not None, "every member is looked at"
        hashes.append(model.hash)
        drawn.append(futures(model, then, n_weeks=26, n_draws=30, seed=[1, 2]))
    assert hashes[0] == hashes[1]
    one, two = drawn
    for name in ("weekly", "start", "peak", "end"):
        assert getattr(one.exposure, name).identical(getattr(two.exposure, name))
    for name in ("visits", "pressure", "consultations"):
        assert getattr(one.visits, name).identical(getattr(two.visits, name))


@pytest.mark.usefixtures("all_members")
def test_poison_before_the_origin_is_seen(known, places, cut):
    """The test above can fail: the same poison a quarter earlier changes the model."""
    hashes = [
        train(k.before(EARLIER), places, cut=cut).hash
        for k in (known, poisoned(known, date(2021, 12, 1)))
    ]
    assert hashes[0] != hashes[1]


def from_a_model_of_a_week_before(everything: Known, places, cut, practice) -> xr.Dataset:
    """Return the forecast of the earlier origin that rests on a model learnt a week before it."""
    before = EARLIER - timedelta(days=7)
    model = train(everything.before(before), places, cut=replace(cut, origin=before))
    then = everything.before(EARLIER)
    return draw_forecast(practice, model, then, cut=replace(cut, origin=EARLIER))


@pytest.mark.usefixtures("all_members")
def test_nothing_later_reaches_a_forecast_that_rests_on_an_older_model(known, places, cut, small):
    """With all that follows poisoned, the same arrays; poison of the last week is seen."""
    hashes = [
        content_hash(xr.DataTree(from_a_model_of_a_week_before(k, places, cut, small)))
        for k in (known, poisoned(known, EARLIER), poisoned(known, EARLIER - timedelta(days=7)))
    ]
    assert hashes[0] == hashes[1]
    assert hashes[2] != hashes[0]


def test_a_model_of_a_later_day_is_refused(known, model, cut, small):
    """It would know what the forecast must not; the sentence names the three days."""
    with pytest.raises(IssueError, match=r"of 2022-03-16 from .* on 2022-03-16 .* on 2022-06-29"):
        draw_forecast(small, model, known.before(EARLIER), cut=replace(cut, origin=EARLIER))


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
    """With and without a vintage, with and without delays of sources."""
    late = replace(cut, kind="hindcast", lags=(("a source", 5.0), ("another", 2.5)))
    for one in (cut, late, replace(cut, visit_vintage=None, case_definition="")):
        assert DataCut.from_attributes(one.as_attributes()) == one


def two_layers(known: Known, *, bad_from: date | None = None) -> Known:
    """Return the same with a warmer second source that alone tells the first year.

    What the second source says of `bad_from` on is nonsense, as if it had been fitted anew.
    """
    first = known.observed.copy(deep=True)
    second = known.observed.copy(deep=True)
    for name in first.data_vars:
        early = first["time"] < first["time"].values[0] + np.timedelta64(365, "D")
        first[name] = first[name].where(~early)
    for name in ("tas", "tasmin", "tasmax"):
        second[name] = second[name] + 3.0
        if bad_from is not None:
            second[name] = second[name].where(second["time"] < np.datetime64(bad_from), 40.0)
    layers = xr.concat([first, second], dim="source").assign_coords(source=["near", "far"])
    return replace(known, observed=join_sources(layers).weather, layers=layers)


def test_what_one_source_is_fitted_by_comes_from_days_before_the_origin(known, places, cut):
    """The bias of the second source is that of the days seen; poison after them changes nothing."""
    clean, spoilt = two_layers(known), two_layers(known, bad_from=EARLIER)
    day = clean.observed["time"].values[130]
    assert abs(float((clean.observed["tas"] - known.observed["tas"]).sel(time=day).max())) < 0.3
    # the test can fail: seen from today the poison moves the first year
    moved = (spoilt.observed["tas"] - clean.observed["tas"]).sel(time=day)
    assert float(abs(moved).max()) > 0.5
    one, two = (k.before(EARLIER) for k in (clean, spoilt))
    assert one.observed.identical(two.observed)
    hashes = [train(k, places, cut=replace(cut, origin=EARLIER)).hash for k in (one, two)]
    assert hashes[0] == hashes[1]


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
    with pytest.raises(CutError, match=r"region south: fetch it with `forepaw pull`, or load it"):
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


# ------------------------------------------------------------------------------ late and missing
def ending(known: Known, *, weather: str = "2022-06-28", south: str | None = None) -> Known:
    """Return what is known with weather up to a day, and the south's visits up to a week."""
    counts = known.counts.copy(deep=True)
    if south is not None:
        gone = counts["week"] > np.datetime64(south)
        counts["flare_visits"].loc[{"region": "south"}] = (
            counts["flare_visits"].sel(region="south").where(~gone)
        )
    return replace(known, observed=known.observed.sel(time=slice(None, weather)), counts=counts)


def test_weather_is_stale_when_more_days_than_allowed_are_missing(known):
    """The origin is 29 June: until the 21st seven days are missing, until the 20th eight."""
    assert ending(known, weather="2022-06-21").stale_sources() == []
    assert ending(known, weather="2022-06-20").stale_sources() == [
        StaleSource("weather", region, date(2022, 6, 20)) for region in ("north", "south")
    ]


def test_visits_of_a_region_are_stale_when_more_than_two_weeks_are_missing(known):
    """The week of 6 June ends on the 12th, 16 days short; that of the 13th on the 19th, 9 short."""
    assert ending(known, south="2022-06-13").stale_sources() == []
    assert ending(known, south="2022-06-06").stale_sources() == [
        StaleSource("visits", "south", date(2022, 6, 12))
    ]


def test_what_was_never_there_is_not_stale(known):
    """No visits of a region, no visits at all, no flowering dates: not known, or not needed."""
    assert ending(known, south="1999-01-04").stale_sources() == []
    assert replace(known, counts=None, flowering=known.flowering.iloc[:0]).stale_sources() == []


def test_days_of_a_long_gap_are_told_by_region(known):
    """Ten days in May of one variable, and one gap a year before, which is not of late."""
    observed = known.observed.copy(deep=True)
    for gap in (slice("2022-05-10", "2022-05-19"), slice("2021-02-01", "2021-02-20")):
        observed["hurs"].loc[{"region": "north", "time": gap}] = np.nan
    holed = replace(known, observed=observed)
    assert holed.weather_gaps(430) == [
        WeatherGap("north", date(2022, 5, 10), date(2022, 5, 19), 10)
    ]
    assert holed.weather_gaps(7) == []
    assert known.weather_gaps(430) == []


def test_sources_are_joined_in_the_order_of_the_practice(stores, make_weather):
    """By hand first, then as practice.toml names them; a source no longer named goes last."""
    practice, records, climate = stores
    day = date(2022, 1, 1)
    for source in ("ghcn_daily", "nasa_power", "open_meteo_archive"):
        weather = make_weather(first="2022-01-01", last="2022-06-25", regions=("north", "south"))
        for name, variable in variables().items():
            weather[name].attrs = dict(variable.attributes)
        climate.append_weather(
            weather,
            source=source,
            licence="open",
            credit=f"Credit of {source}.",
            retrieved_at=datetime(2022, 6, 29, tzinfo=UTC),
            asked={"north": (day, date(2022, 6, 25)), "south": (day, date(2022, 6, 25))},
        )
    pulls = tuple(PullSection(source=s) for s in ("nasa_power", "dwd_phenology", "ghcn_daily"))
    practice = replace(practice, settings=practice.settings.model_copy(update={"pull": pulls}))
    assert weather_order(practice, climate) == [
        "made up",
        "nasa_power",
        "ghcn_daily",
        "open_meteo_archive",
    ]
    cut = take_cut(practice, records, climate, origin=date(2022, 6, 28))
    known = known_at(practice, records, climate, cut=cut)
    assert known.weather_until == date(2022, 6, 25)  # what was brought by hand ends on the 20th
    assert [str(s) for s in known.layers["source"].values] == weather_order(practice, climate)
    assert known.weather.attrs["credit"] == (
        "nobody; Credit of nasa_power; Credit of ghcn_daily; Credit of open_meteo_archive."
    )


def test_days_a_source_had_not_given_yet_are_not_seen(stores, make_weather):
    """A source three days late is seen up to the fourth day before; so are its flowering dates."""
    practice, records, climate = stores
    day, at = date(2022, 6, 8), datetime(2022, 6, 29, tzinfo=UTC)
    frame = pd.DataFrame(
        [("north", "cherry", "flowering", pd.Timestamp(d)) for d in ("2022-06-03", "2021-06-06")],
        columns=["region", "species", "stage", "date"],
    )
    climate.append_flowering(frame, source="slow", licence="none", credit="nobody", retrieved_at=at)
    for lag, until, n_dates in ((None, 7, 2), (3, 4, 2), (5, 2, 1)):
        lags = {} if lag is None else {"made up": lag, "slow": lag}
        cut = take_cut(practice, records, climate, origin=day, lag_days=lags)
        # what an issue keeps of its cut is enough to see the same again
        cut = DataCut.from_attributes(cut.as_attributes())
        known = known_weather(practice, climate, cut=cut)
        assert known.weather_until == date(2022, 6, until)
        assert len(known.flowering) == n_dates
    # of two sources only the late one is cut: what the other gives stays, to the day before
    weather = make_weather(first="2022-01-01", last="2022-06-20", seed=4)
    for name, variable in variables().items():
        weather[name].attrs = dict(variable.attributes)
    climate.append_weather(
        weather, source="quick", licence="none", credit="nobody", retrieved_at=at
    )
    cut = take_cut(practice, records, climate, origin=day, lag_days={"made up": 3})
    known = known_weather(practice, climate, cut=cut)
    assert known.weather_until == date(2022, 6, 7)
    last = known.layers["tas"].notnull().any("region").sel(time="2022-06-05")
    assert dict(zip(known.layers["source"].values, last.values, strict=True)) == {
        "made up": False, "quick": True,
    }  # fmt: skip
