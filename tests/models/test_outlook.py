"""Outlook: exposure past and ahead, with an error that is drawn once and an amount around one."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from models.allergens import catalogue
from models.outlook import ExposureModel, raw_exposure
from models.season import season_dates
from models.streams import DrawStreams
from models.traces import continue_with_past_years

ORIGIN = np.datetime64("2021-03-15")
LISTED = {"north": ("birch", "grasses"), "south": ("grasses",)}
CHOSEN = {name: catalogue()[name] for name in ("birch", "grasses")}
EPOCH = np.datetime64("1970-01-01")


@pytest.fixture(scope="module")
def fitted(weather) -> tuple[ExposureModel, xr.DataArray]:
    """Fit on the years before the origin; no flowering was observed."""
    past = weather.sel(time=weather["time"] < ORIGIN)
    return ExposureModel.fit(past, list(CHOSEN.values()), listed=LISTED, onsets={})


@pytest.fixture(scope="module")
def traces(weather) -> xr.Dataset:
    return continue_with_past_years(weather, ORIGIN, days=730, history_days=430)


def drawn(
    model, traces, *, n_draws=40, seed=1, with_dates=True, wanted=slice(None), allergens=CHOSEN
):
    names = [str(region) for region in traces["region"].values]
    return model.ahead(
        traces,
        allergens,
        origin=ORIGIN,
        streams=DrawStreams([seed], n_draws, names),
        with_dates=with_dates,
        wanted=wanted,
    )


def without_errors(model: ExposureModel) -> ExposureModel:
    return replace(model, onset_sd=0.0 * model.onset_sd)


def without_amounts() -> dict:
    """Return the allergens with every year as rich as the mean one."""
    steady = {}
    for name, allergen in CHOSEN.items():
        amount = allergen.parameters["year_amount_log_sd"]
        changed = {"year_amount_log_sd": replace(amount, value=0.0)}
        steady[name] = replace(allergen, parameters=dict(allergen.parameters) | changed)
    return steady


# ------------------------------------------------------------------------------ the past
def test_a_mean_season_of_a_region_sums_to_one(fitted):
    """Over the whole years of training, for every allergen a region lists."""
    _, past = fitted
    whole = past.sel(week=slice("2002-01-01", "2020-12-31"))
    by_year = whole.groupby("week.year").sum("week").mean("year")
    listed = [("birch", "north"), ("grasses", "north"), ("grasses", "south")]
    for allergen, region in listed:
        mean = float(by_year.sel(allergen=allergen, region=region))
        assert mean == pytest.approx(1.0, abs=0.05), (allergen, region)


def test_what_a_region_does_not_list_is_never_there(fitted, traces):
    """Neither behind nor ahead, though its weather would bring it."""
    model, past = fitted
    assert (past.sel(allergen="birch", region="south") == 0).all()
    assert (drawn(model, traces).weekly.sel(allergen="birch", region="south") == 0).all()
    assert past.sel(allergen="birch", region="north").sum() > 10


def test_the_past_of_the_training_years_is_the_same_when_asked_again(fitted, weather):
    """From the fitted model and the weather alone."""
    model, past = fitted
    again = model.past(weather.sel(time=weather["time"] < ORIGIN), CHOSEN)
    xr.testing.assert_equal(again, past)


def test_exposure_is_never_negative_and_comes_in_its_season(fitted):
    """Birch in spring of the north: nine tenths of it from March to May."""
    _, past = fitted
    assert (past >= 0).all()
    birch = past.sel(allergen="birch", region="north")
    spring = birch["week"].dt.month.isin([3, 4, 5])
    assert float(birch.where(spring, 0).sum() / birch.sum()) > 0.9


def test_south_of_the_equator_the_same_plants_flower_half_a_year_later(weather):
    """The same weather half a year later, at the mirrored latitude: seasons of September on."""
    moved = weather.assign_coords(
        time=weather["time"] + np.timedelta64(184, "D"), latitude=-weather["latitude"]
    )
    shifts = {name: xr.zeros_like(weather["latitude"]) for name in CHOSEN}
    raw = raw_exposure(moved, list(CHOSEN.values()), shift_days=shifts)
    start = season_dates(raw["birch"], CHOSEN["birch"])["start"].sel(region="north").dropna("year")
    assert len(start) > 10
    assert set(start.dt.month.values) <= {9, 10, 11}


# ------------------------------------------------------------------------------ not known
def with_gap(weather, name, first, last):
    """Return weather of which one variable is not known in the north on some days."""
    holed = weather.copy(deep=True)
    holed[name].loc[{"region": "north", "time": slice(first, last)}] = np.nan
    return holed


def weeks_not_known(exposure, allergen, region="north", year="2019"):
    one = exposure.sel(allergen=allergen, region=region, week=year)
    return one["week"].values[one.isnull().values].astype("datetime64[D]").astype(str).tolist()


def test_weeks_within_a_long_gap_are_not_known_and_never_zero(fitted, weather):
    """Two weeks of grass time without humidity, Monday to Sunday: those two, there alone.

    What the season offers needs temperature only, so the weeks around them are known.
    """
    model, _ = fitted
    past = model.past(with_gap(weather, "hurs", "2019-05-27", "2019-06-09"), CHOSEN)
    whole = model.past(weather, CHOSEN)
    assert (whole.sel(allergen="grasses", region="north", week="2019-06") > 0).all()
    assert weeks_not_known(past, "grasses") == ["2019-05-27", "2019-06-03"]
    assert weeks_not_known(past, "grasses", region="south") == []
    xr.testing.assert_equal(past.where(past.notnull()), whole.where(past.notnull()))


def test_after_a_gap_in_the_warmth_a_season_is_not_known_until_it_is_over(fitted, weather):
    """Twelve days of March without temperature: how far birch is cannot be told after them.

    Its window is 1 March to 28 July; what is known of the warmth alone ends it before that. A
    region that does not list birch has none, gap or not.
    """
    holed = weather.copy(deep=True)
    for name in ("tas", "tasmin", "tasmax"):
        holed[name].loc[{"time": slice("2019-03-11", "2019-03-22")}] = np.nan
    past = fitted[0].past(holed, CHOSEN)
    unknown = weeks_not_known(past, "birch")
    assert unknown[0] == "2019-03-11"
    assert "2019-04-15" in unknown
    assert unknown[-1] < "2019-07-22"
    assert (past.sel(allergen="birch", region="south") == 0).all()
    assert weeks_not_known(past, "birch", year="2018") == []


def test_a_draw_whose_trace_has_a_gap_is_not_known_and_not_moved_to_next_year(fitted, traces):
    """The third trace lacks three weeks of warmth ahead; its draws are not known, the others are.

    Without a season ahead in that year the next one would be of 2022: it is not taken for it.
    """
    holed = traces.copy(deep=True)
    for name in ("tas", "tasmin", "tasmax"):
        gap = {"trace": 2, "region": 0, "time": slice(440, 461)}
        holed[name][gap] = np.nan
    n_traces = traces.sizes["trace"]
    ahead = drawn(without_errors(fitted[0]), holed, n_draws=n_traces)
    dated = ahead.dated.sel(allergen="birch", region="north")
    assert np.flatnonzero(~dated.values).tolist() == [2]
    for dates in (ahead.start, ahead.peak, ahead.end):
        unknown = dates.sel(allergen="birch", region="north").isnull()
        np.testing.assert_array_equal(unknown.values, ~dated.values)
    weekly = ahead.weekly.sel(allergen="birch", region="north", week=slice("2021-04-01", None))
    assert weekly.isel(draw=2).isnull().any()
    assert weekly.isel(draw=3).notnull().all()
    assert ahead.dated.sel(region="south").all()


def test_a_season_that_is_surely_over_is_passed_by_though_it_had_a_gap(fitted, weather):
    """On 1 July birch is over, in a window that runs to 28 July: the next season is of 2022."""
    origin = np.datetime64("2021-07-01")
    traces = continue_with_past_years(weather, origin, days=730, history_days=430).copy(deep=True)
    traces["hurs"].loc[{"time": slice("2021-04-05", "2021-04-25")}] = np.nan
    ahead = fitted[0].ahead(
        traces, CHOSEN, origin=origin, streams=DrawStreams([1], 40, ["north", "south"])
    )
    start = ahead.start.sel(allergen="birch", region="north").values
    assert ahead.dated.sel(allergen="birch", region="north").all()
    assert set(pd.to_datetime(start, unit="D").year) == {2022}


def test_a_gap_before_the_origin_is_bridged_by_past_years(fitted, weather):
    """Ten days of March without warmth: what was is not known, what may come is, with dates."""
    holed = weather.copy(deep=True)
    for name in ("tas", "tasmin", "tasmax"):
        holed[name].loc[{"region": "north", "time": slice("2021-03-02", "2021-03-11")}] = np.nan
    past = holed.sel(time=holed["time"] < ORIGIN)
    assert weeks_not_known(fitted[0].past(past, CHOSEN), "birch", year="2021") == [
        "2021-03-01",
        "2021-03-08",
    ]
    traces = continue_with_past_years(past, ORIGIN, days=730, history_days=430)
    ahead = drawn(fitted[0], traces)
    assert ahead.dated.all()
    assert ahead.start.sel(allergen="birch", region="north").notnull().all()
    # a year on the gap comes again, in the trace whose donor is this very year
    assert ahead.weekly.sel(week=slice("2021-03-15", "2022-02-14")).notnull().all()


# ------------------------------------------------------------------------------ ahead
def test_without_errors_a_draw_is_its_trace(fitted, traces):
    """Draw i follows trace i modulo their number: weeks and dates are those of that weather."""
    model = without_errors(fitted[0])
    steady = without_amounts()
    n_traces = traces.sizes["trace"]
    ahead = drawn(model, traces, n_draws=n_traces + 3, allergens=steady)
    along = model.past(traces.isel(trace=2), steady)
    for draw in (2, n_traces + 2):
        np.testing.assert_allclose(
            ahead.weekly.isel(draw=draw).transpose("allergen", "region", "week").values,
            along.transpose("allergen", "region", "week").sel(week=ahead.weekly["week"]).values,
            atol=1e-6,
        )
    assert not ahead.weekly.isel(draw=2).equals(ahead.weekly.isel(draw=3))


def test_the_next_season_is_the_first_that_is_not_over(fitted, traces):
    """None ends before the origin; mid-March it is the season of that very year."""
    ahead = drawn(fitted[0], traces)
    now = (ORIGIN - EPOCH).astype(int)
    assert (ahead.end.sel(region="north") >= now).all()
    start = ahead.start.sel(allergen="grasses")
    assert set(pd.to_datetime(start.values.ravel(), unit="D").year) == {2021}
    assert (ahead.start <= ahead.peak).where(ahead.start.notnull(), True).all()
    assert (ahead.peak <= ahead.end).where(ahead.start.notnull(), True).all()


def test_a_season_that_runs_at_the_origin_is_the_next_one(fitted, weather):
    """In mid-June grass is on: begun before the origin and over after it, in nearly all draws."""
    origin = np.datetime64("2021-06-10")
    traces = continue_with_past_years(weather, origin, days=730, history_days=430)
    streams = DrawStreams([1], 40, ["north", "south"])
    ahead = fitted[0].ahead(traces, CHOSEN, origin=origin, streams=streams)
    now = (origin - EPOCH).astype(int)
    runs = (ahead.start < now) & (ahead.end >= now)
    assert float(runs.sel(allergen="grasses").mean()) > 0.8


def test_an_error_of_the_onset_moves_a_season_by_whole_days_in_all_regions_alike(fitted, traces):
    """Against its trace, a draw's start is moved by one number of days, north and south.

    The season moves, the weather that lets loose stays: it shifts a start by a day or two of its
    own.
    """
    errors = drawn(fitted[0], traces).start.sel(allergen="grasses")
    none = drawn(without_errors(fitted[0]), traces).start.sel(allergen="grasses")
    moved = (errors - none).transpose("draw", "region").values
    assert np.corrcoef(moved.T)[0, 1] > 0.95
    assert np.median(np.abs(moved[:, 0] - moved[:, 1])) <= 1
    assert (moved == np.rint(moved)).all()
    assert len(np.unique(moved)) > 5


def test_the_spread_of_the_onset_is_the_one_of_the_table(fitted, traces):
    """Over 600 draws its standard deviation is the catalogue's, to the rounding of whole days."""
    errors = drawn(fitted[0], traces, n_draws=600).start.sel(allergen="grasses", region="north")
    model = without_errors(fitted[0])
    none = drawn(model, traces, n_draws=600).start.sel(allergen="grasses", region="north")
    wanted = CHOSEN["grasses"].number("onset_spread")
    moved = (errors - none).values
    assert moved.std() == pytest.approx(np.hypot(wanted, np.sqrt(1 / 12)), rel=0.1)
    assert abs(moved.mean()) < 3 * wanted / np.sqrt(600)


def test_a_year_s_amount_is_one_in_the_mean_and_shared_by_the_regions(fitted, traces):
    """A log-normal factor per draw and allergen, the same north and south; not in its dates."""
    model = without_errors(fitted[0])
    rich = drawn(model, traces, n_draws=600)
    steady = drawn(model, traces, n_draws=600, allergens=without_amounts())
    total = (rich.weekly.sum("week") / steady.weekly.sum("week")).sel(allergen="grasses")
    factor = total.transpose("draw", "region").values
    np.testing.assert_allclose(factor[:, 0], factor[:, 1], rtol=1e-4)
    spread = CHOSEN["grasses"].number("year_amount_log_sd")
    error = np.sqrt(np.expm1(spread**2) / 600)
    assert factor[:, 0].mean() == pytest.approx(1.0, abs=4 * error)
    assert np.log(factor[:, 0]).std() == pytest.approx(spread, rel=0.12)
    xr.testing.assert_equal(rich.start, steady.start)


def test_dates_left_out_are_not_known_and_change_no_exposure(fitted, traces):
    """The backtest needs none; what it draws is the same."""
    with_dates, without = (drawn(fitted[0], traces, with_dates=w) for w in (True, False))
    assert without.start.isnull().all()
    assert without.end.isnull().all()
    assert not without.dated.any()
    xr.testing.assert_equal(with_dates.weekly, without.weekly)


def test_weeks_that_are_wanted_are_those_of_all_days(fitted, traces):
    """A season is moved into the days wanted from days that are not; with dates all are kept."""
    wanted = slice(ORIGIN - np.timedelta64(70, "D"), ORIGIN + np.timedelta64(83, "D"))
    part, whole = (
        drawn(fitted[0], traces, with_dates=False, wanted=w) for w in (wanted, slice(None))
    )
    assert part.weekly["week"].values[[0, -1]].astype("datetime64[D]").astype(str).tolist() == [
        "2021-01-04",
        "2021-05-31",
    ]
    xr.testing.assert_equal(part.weekly, whole.weekly.sel(week=part.weekly["week"]))
    dated = drawn(fitted[0], traces, wanted=wanted)
    xr.testing.assert_equal(dated.weekly, whole.weekly)


def test_more_draws_leave_the_first_ones_as_they_were(fitted, traces):
    """Draw 7 of 10 is draw 7 of 40, dates and all."""
    few, many = (drawn(fitted[0], traces, n_draws=n) for n in (10, 40))
    xr.testing.assert_equal(few.weekly, many.weekly.isel(draw=slice(0, 10)))
    xr.testing.assert_equal(few.start, many.start.isel(draw=slice(0, 10)))


def test_a_stored_model_gives_the_same_past_and_future(fitted, traces, weather):
    """What `to_dataset` returns is all there is to keep."""
    model = fitted[0]
    again = ExposureModel.from_dataset(model.to_dataset())
    recent = weather.sel(time=slice("2019-01-01", "2020-12-31"))
    xr.testing.assert_equal(again.past(recent, CHOSEN), model.past(recent, CHOSEN))
    xr.testing.assert_equal(drawn(again, traces).weekly, drawn(model, traces).weekly)
