"""A small world that is known beforehand: two regions, three years of counts, a trained model."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from forecast.cut import DataCut, Known
from forecast.issuing import Issue, make_issue
from forecast.practice import Practice, create_practice
from forecast.regions import Region
from forecast.training import TrainedModel, train
from models.scores import QUANTILE_LEVELS

ORIGIN = date(2022, 6, 29)  # a Wednesday
REGIONS = ("north", "south")
ALLERGENS = ("birch", "grasses")


def build_counts(
    *, first: str = "2019-01-07", last: str = "2022-06-20", seed: int = 1
) -> xr.Dataset:
    """Invent weekly counts of both regions with one wave a year."""
    weeks = pd.date_range(first, last, freq="7D")
    rng = np.random.default_rng(seed)
    volume = rng.poisson(150, (2, len(weeks))).astype(float)
    wave = np.cos(2 * np.pi * (weeks.day_of_year.to_numpy() / 365.25 - 0.6))
    visits = rng.poisson(volume * np.exp(-3 + 0.6 * wave)).astype(float)
    dims = ("region", "week")
    return xr.Dataset(
        {
            "flare_visits": (dims, visits),
            "consultations": (dims, volume),
            "covered_share": (dims, np.full_like(volume, 0.2)),
        },
        coords={"region": list(REGIONS), "week": weeks},
    )


def build_flowering() -> pd.DataFrame:
    """Invent cherry dates of both regions, around 10 April, one year each."""
    rng = np.random.default_rng(3)
    rows = [
        (region, "cherry", "flowering", pd.Timestamp(year, 4, 10) + pd.Timedelta(days=int(late)))
        for region in REGIONS
        for year, late in zip(range(2005, 2023), rng.integers(-6, 7, 18), strict=True)
    ]
    frame = pd.DataFrame(rows, columns=["region", "species", "stage", "date"])
    return frame.astype({"date": "datetime64[ns]"})


@pytest.fixture(scope="session")
def known(make_weather: Callable[..., xr.Dataset]) -> Known:
    """Give everything known at the origin: weather of 18 years, flowering, counts."""
    weather = make_weather(first="2004-01-01", last="2022-06-28")
    return Known(ORIGIN, weather, build_flowering(), build_counts())


@pytest.fixture(scope="session")
def places() -> dict[str, Region]:
    listed = {"north": ("birch", "grasses"), "south": ("grasses",)}
    return {
        name: Region(name, name, 37.0, 127.0, 50.0, "Asia/Seoul", listed[name]) for name in REGIONS
    }


@pytest.fixture(scope="session")
def cut() -> DataCut:
    return DataCut(ORIGIN, "snapshot-1", "vintage-1", "version 1", "issued")


@pytest.fixture(scope="session")
def model(known: Known, places: dict[str, Region], cut: DataCut) -> TrainedModel:
    return train(known, places, cut=cut)


@pytest.fixture
def all_members(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let every member of the blend be asked, as of the long past that these counts lack."""
    monkeypatch.setattr("models.flare.count_forecaster.is_long", lambda *_, **__: True)


@pytest.fixture
def small(tmp_path: Path, small_settings: str) -> Practice:
    """Give an empty practice with the regions of this world, at the morning of the origin."""
    now = datetime(2022, 6, 28, 23, tzinfo=UTC)  # already the 29th in Seoul
    return create_practice(tmp_path / "small", small_settings, now=now)


@pytest.fixture(scope="session")
def issue(
    known: Known,
    model: TrainedModel,
    small_settings: str,
    tmp_path_factory: pytest.TempPathFactory,
) -> tuple[Practice, Issue]:
    """Give a practice and one issue made in it; do not change its folder."""
    now = datetime(2022, 6, 28, 23, tzinfo=UTC)
    practice = create_practice(tmp_path_factory.mktemp("issue") / "small", small_settings, now=now)
    return practice, make_issue(practice, model, known, issued_at=now)


def build_issued(
    pressure: np.ndarray[Any, Any],
    *,
    first: str = "2023-03-06",
    threshold: float = 50.0,
    consultations: float = 1000.0,
    seasons: dict[str, np.ndarray[Any, Any]] | None = None,
) -> xr.Dataset:
    """Lay out by hand what an issue of one region ("north") holds.

    `pressure` has dims (draw, week). With 1,000 consultations a week it is also the pressure per
    1,000. `seasons` gives start, peak and end of birch by draw [days since 1970].
    """
    pressure = np.asarray(pressure)
    n_draws, n_weeks = pressure.shape
    weeks = pd.date_range(first, periods=n_weeks, freq="7D")
    past = pd.date_range(end=weeks[0] - pd.Timedelta(days=7), periods=60, freq="7D")
    full = pressure[:, None, :].astype(np.float32)
    dims = ("draw", "region", "week")
    volume = np.full(full.shape, consultations)
    levels = np.quantile(full, QUANTILE_LEVELS, axis=0)
    quantiles = ("quantile", "region", "week")
    rate = 1000.0 * full / np.maximum(volume, 1)
    known = not np.isnan(threshold)
    odds = (rate > threshold).mean(0) if known else np.full((1, n_weeks), np.nan)
    by_draw = ("region", "allergen", "draw")
    unknown = np.full((1, 1, n_draws), np.nan)
    dates = {k: v[None, None, :].astype(float) for k, v in (seasons or {}).items()}
    return xr.Dataset(
        {
            "pressure": (dims, full),
            "visits": (dims, full),
            "consultations": (dims, volume),
            "pressure_quantiles": (quantiles, levels),
            "visits_quantiles": (quantiles, levels),
            "climatology_quantiles": (quantiles, levels),
            "consultations_quantiles": (quantiles, np.full_like(levels, consultations)),
            "threshold": ("region", [threshold]),
            "season_threshold": ("region", [threshold]),
            "odds_high": (("region", "week"), odds),
            "climatology_odds": (("region", "week"), np.full((1, n_weeks), 0.2)),
            **{f"season_{k}": (by_draw, dates.get(k, unknown)) for k in ("start", "peak", "end")},
            "listed": (("region", "allergen"), np.ones((1, 1), np.int8)),
            "exposure_past": (("region", "allergen", "past_week"), np.full((1, 1, 60), 0.01)),
            "exposure_ahead": (
                ("region", "allergen", "week", "draw"),
                np.full((1, 1, n_weeks, n_draws), 0.02),
            ),
            "flare_visits_past": (("region", "past_week"), np.arange(60.0)[None, :]),
            "consultations_past": (("region", "past_week"), np.full((1, 60), consultations)),
            "covered_share_past": (("region", "past_week"), np.full((1, 60), 0.5)),
        },
        coords={
            "region": ["north"],
            "allergen": ["birch"],
            "week": weeks,
            "past_week": past,
            "quantile": list(QUANTILE_LEVELS),
        },
        attrs={"origin": f"{weeks[0] + pd.Timedelta(days=2):%Y-%m-%d}"},
    )


@pytest.fixture(scope="session")
def make_issued() -> Callable[..., xr.Dataset]:
    return build_issued


@pytest.fixture(scope="session")
def without_visits(make_issued: Callable[..., xr.Dataset]) -> xr.Dataset:
    """Give an issue of a practice that holds no visits."""
    held = make_issued(np.zeros((20, 26)))
    kept = ["exposure_past", "exposure_ahead", "listed"]
    return held[[*kept, "season_start", "season_peak", "season_end"]]
