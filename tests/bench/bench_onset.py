"""How fast seasons are worked out, beside named peers in the same run.

    python tests/bench/bench_onset.py [--sites 500] [--regions 10000] [--draws 30]

1. Onset of ten heat-sum plants at many sites and years: the compiled pass, xclim's
   ``degree_days_exceedance_date``, and a loop over days of a pandas frame (a few sites, scaled up).
   All three must name the same days. Wanted: 10 times xclim, 100 times the loop.
2. Formulas alone, through labelled arrays, beside xclim: bound by memory and labels on both sides.
3. Onset and exposure of a large service: regions by draws by one year by ten allergens, in blocks
   of regions as an issue would work through them, with the memory it took, and gigabytes a second
   beside the copy bandwidth of the machine.

Weather is that of the sample climate, repeated over the sites and moved by a few degrees.
"""

from __future__ import annotations

import argparse
import resource
import time
import warnings
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pandas as pd
import xarray as xr

from models import kernels
from models.allergens import Allergen, catalogue
from models.chill import utah_units
from models.daylength import day_length
from models.heat import degree_days_mean
from models.outlook import raw_exposure
from models.parameters import Parameter
from models.season import season_dates, season_onsets
from models.weeks import weekly
from sample_climate import FOLDER, WEATHER_FILE

N_PLANTS = 10
LOOPED_SITES = 3
YEARS, N_YEARS = ("2004-01-01", "2023-12-31"), 20


def main() -> None:
    """Run the three parts and print their tables."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--sites", type=int, default=500)
    parser.add_argument("--regions", type=int, default=10_000)
    parser.add_argument("--draws", type=int, default=30)
    asked = parser.parse_args()
    warnings.filterwarnings("ignore")
    compare_onsets(asked.sites)
    compare_sums(asked.sites)
    work_through(asked.regions, asked.draws)


def compare_onsets(n_sites: int) -> None:
    """Print seconds and ratios of the onset day of ten plants."""
    weather, plants = many_sites(n_sites, *YEARS), heat_plants()
    season_onsets(weather.isel(region=[0]), plants)  # compile
    ours, found = timed(lambda: season_onsets(weather, plants))
    xclims, days = timed(lambda: [xclim_onset(weather["tas"], plant) for plant in plants])
    few = weather.isel(region=slice(0, LOOPED_SITES))
    looped, by_loop = timed(lambda: [pandas_onset(few["tas"], plant) for plant in plants])
    looped *= n_sites / LOOPED_SITES
    years = pd.DatetimeIndex(weather["time"].values).year
    starts = np.flatnonzero(np.diff(years, prepend=years[0] - 1))
    for plant, of_xclim, of_loop in zip(plants, days, by_loop, strict=True):
        position = np.ceil(found[plant.id].values - 1e-9) - 1  # the day within which it is crossed
        day = np.where(np.isfinite(position), position - starts + 1, np.nan)
        np.testing.assert_array_equal(day, of_xclim)
        np.testing.assert_array_equal(day[:LOOPED_SITES], of_loop)
    print(f"\n1. Onset day, {n_sites} sites x {N_YEARS} years x {N_PLANTS} plants, one thread")
    print(f"   compiled pass                        {ours:9.3f} s")
    print(f"   xclim degree_days_exceedance_date    {xclims:9.3f} s   {xclims / ours:7.0f} times")
    print(f"   loop over the days of a pandas frame {looped:9.1f} s   {looped / ours:7.0f} times")
    print("   (the loop was run for 3 sites and scaled up; all three gave the same days)")


def compare_sums(n_sites: int) -> None:
    """Print seconds and ratios of yearly sums and day length."""
    from xclim import indices
    from xclim.indices import helpers

    weather = many_sites(n_sites, *YEARS)
    tas, latitude = weather["tas"], weather["latitude"].assign_attrs(units="degrees_north")
    doy = weather["time"].dt.dayofyear
    year = weather["time"].dt.year
    hourly = tas.isel(region=slice(0, 20))
    rows: list[tuple[str, Callable[[], object], Callable[[], object]]] = [
        (
            "degree days, summed by year",
            lambda: degree_days_mean(tas, base=4.0).groupby(year).sum(),
            lambda: indices.growing_degree_days(tas, "4.0 degC").load(),
        ),
        (
            "Utah chill units, summed by year",
            lambda: utah_units(hourly).groupby(year).sum(),
            lambda: indices.chill_units(hourly).load(),
        ),
        (
            "day length",
            lambda: day_length(latitude, doy),
            lambda: helpers.day_lengths(weather["time"], latitude).load(),
        ),
    ]
    print(
        f"\n2. Formulas alone through labelled arrays, {n_sites} sites x {N_YEARS} years "
        "(chill: 20 sites)"
    )
    for name, ours, theirs in rows:
        ours()
        here, there = timed(ours)[0], timed(theirs)[0]
        print(f"   {name:36} {here:9.3f} s   xclim {there:8.3f} s   {there / here:6.1f} times")


def work_through(n_regions: int, n_draws: int) -> None:
    """Print seconds, memory and throughput of exposure for a large service."""
    allergens = list(catalogue().values())[:N_PLANTS]
    block = max(1, 6_000 // n_draws)
    shifts = {item.id: xr.DataArray(0.0) for item in allergens}
    busy, held, moved = 0.0, [], 0
    for first in range(0, n_regions, block):
        regions = min(block, n_regions - first)
        traces = many_traces(regions, n_draws, seed=first)
        seconds, result = timed(lambda traces=traces: exposures(traces, allergens, shifts))
        busy += seconds
        moved += sum(field.nbytes for field in traces.data_vars.values()) + result
        held.append(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20)
    copy = copy_bandwidth()
    print(f"\n3. {n_regions} regions x {n_draws} draws x 1 year x {N_PLANTS} allergens, one thread")
    print(f"   seasons, release, exposure, dates, weeks   {busy:7.1f} s, {block} regions a block")
    print(
        f"   peak memory after the first tenth, at the end   {held[len(held) // 10]:.2f}, "
        f"{held[-1]:.2f} GB"
    )
    print(
        f"   read and written once {moved / 2**30:.1f} GB, {moved / 2**30 / busy:.2f} GB/s; copy "
        f"bandwidth of the machine {copy:.1f} GB/s"
    )
    alone = pass_alone(n_draws, allergens)
    print(f"   the compiled pass alone, rates written: {alone:.2f} GB/s")


def exposures(
    traces: xr.Dataset, allergens: list[Allergen], shifts: dict[str, xr.DataArray]
) -> int:
    """Work out weekly exposure and season dates; return the bytes of daily exposure."""
    moved = 0
    for name, daily in raw_exposure(traces, allergens, shift_days=shifts).items():
        season_dates(daily, catalogue()[name])
        weekly(daily, "sum").astype(np.float32)
        moved += daily.nbytes
    return moved


def pass_alone(n_draws: int, allergens: list[Allergen]) -> float:
    """Return the gigabytes a second that the pass reads and writes."""
    from models.season.driver import place_weather, season_plan
    from models.season.rate import _SUMMED

    traces = many_traces(200, n_draws, seed=1)
    summed = [item for item in allergens if item.family in _SUMMED]
    plan = season_plan(
        summed, pd.DatetimeIndex(traces["time"].values), driver=lambda a: _SUMMED[a.family](a)
    )
    laid = place_weather(traces, {name: "" for name in ("tas", "tasmax", "tasmin", "daylight")})
    rate = np.zeros((len(summed), laid.hemisphere.size, traces.sizes["time"]))
    onset = np.zeros((len(summed), laid.hemisphere.size, plan.windows.shape[2]))
    seconds, _ = timed(lambda: kernels.season_pass(laid, plan, rate, onset))
    return (laid.tas.nbytes * 3 + rate.nbytes) / seconds / 2**30


def heat_plants() -> list[Allergen]:
    """Ten plants of one family, whose sums of daily means xclim can work out too."""
    birch = catalogue()["birch"]
    plants = []
    for number in range(N_PLANTS):
        values = {"base": 3.5 + 0.25 * number, "onset_sum": 150.0 + 40.0 * number, "window": 300}
        parameters = {
            **birch.parameters,
            **{name: Parameter(value, "1", "bench", "assumed") for name, value in values.items()},
        }
        plants.append(replace(birch, id=f"plant {number}", parameters=parameters))
    return plants


def xclim_onset(tas: xr.DataArray, plant: Allergen) -> np.ndarray:
    """Return the day of the year, dims (site, year)."""
    from xclim import indices

    found = indices.degree_days_exceedance_date(
        tas,
        thresh=f"{plant.number('base')} degC",
        sum_thresh=f"{plant.number('onset_sum')} K days",
        op=">",
        after_date=plant.text("start"),
        freq="YS",
    )
    return found.transpose("region", "time").values


def pandas_onset(tas: xr.DataArray, plant: Allergen) -> np.ndarray:
    """Return the day of the year by a plain loop, dims (site, year)."""
    base, asked = plant.number("base"), plant.number("onset_sum")
    month, day = map(int, plant.text("start").split("-"))
    rows = []
    for _, site in tas.to_pandas().iterrows():
        crossed: dict[int, float] = {}
        total, year = 0.0, 0
        for date, celsius in site.items():
            if date.year != year:
                total, year = 0.0, date.year
                crossed[year] = np.nan
            if (date.month, date.day) >= (month, day) and np.isnan(crossed[year]):
                total += max(0.0, celsius - base)
                if total >= asked:
                    crossed[year] = date.dayofyear
        rows.append(list(crossed.values()))
    return np.array(rows)


def many_sites(n_sites: int, first: str, last: str) -> xr.Dataset:
    """Repeat the sample's stations, each moved by up to three degrees; short gaps filled."""
    with xr.open_dataset(FOLDER / WEATHER_FILE) as stored:
        names = ["tas", "tasmin", "tasmax", "hurs", "pr", "sfcWind"]
        held = stored[names].sel(time=slice(first, last)).load()
    held = held.interpolate_na("time").ffill("time").bfill("time")
    rng = np.random.default_rng(1)
    station = np.arange(n_sites) % held.sizes["station"]
    weather = held.isel(station=xr.DataArray(station, dims="region"))
    warmer = xr.DataArray(rng.uniform(-3, 3, n_sites), dims="region")
    for name in ("tas", "tasmin", "tasmax"):
        weather[name] = (weather[name].astype(float) + warmer).assign_attrs(units="degC")
    keep = [name for name in weather.coords if name not in ("time", "latitude")]
    weather = weather.drop_vars(keep).assign_coords(region=np.arange(n_sites).astype(str))
    return weather.transpose("region", "time")


def many_traces(n_regions: int, n_draws: int, *, seed: int) -> xr.Dataset:
    """One year of the sample's weather for regions and draws, each a few degrees off."""
    year = many_sites(7, "2019-01-01", "2019-12-31")
    rng = np.random.default_rng(seed)
    station = xr.DataArray(np.arange(n_regions) % 7, dims="region")
    weather = year.drop_vars("region").isel(region=station).expand_dims(trace=n_draws).copy()
    off = xr.DataArray(rng.normal(0, 2, (n_draws, n_regions)), dims=("trace", "region"))
    for name in ("tas", "tasmin", "tasmax"):
        weather[name] = (weather[name] + off).transpose("trace", "region", "time")
    return weather.assign_coords(region=np.arange(n_regions).astype(str))


def copy_bandwidth() -> float:
    """Return the gigabytes a second of copying a large array, read and write counted."""
    source = np.ones(64 * 2**20)
    target = np.empty_like(source)
    np.copyto(target, source)
    best = min(timed(lambda: np.copyto(target, source))[0] for _ in range(5))
    return 2 * source.nbytes / best / 2**30


def timed(call: Callable[[], object]) -> tuple[float, object]:
    """Return seconds and result of a call."""
    begin = time.perf_counter()
    result = call()
    return time.perf_counter() - begin, result


if __name__ == "__main__":
    main()
