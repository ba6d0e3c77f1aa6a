"""From a trained model and a cut to an Issue: one immutable file.

The file holds, for the weeks ahead, draws and quantiles of flare visits, pressure and
consultations, the odds of a high week beside what climatology gives, exposure past and ahead, and
the dates of the next exposure season; and the past counts they were made from. Without visits it
holds exposure and season dates only.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import datetime
from importlib.metadata import version
from pathlib import Path

import numpy as np
import xarray as xr
from threadpoolctl import threadpool_limits

from forecast.array_files import ArrayFileError, content_hash, read_tree, write_tree
from forecast.cut import DataCut, Known
from forecast.practice import Practice
from forecast.records.engine import Records
from forecast.records.issues import issues
from forecast.training import Futures, TrainedModel, futures
from models.backtest import quantiles_of
from models.errors import ForepawError
from models.parameters import load_table
from models.weeks import week_range

PAST_WEEKS = 156
TABLES = (
    ("models", "allergens.toml"),
    ("models", "exposure.toml"),
    ("models", "traces.toml"),
    ("models.flare", "flare.toml"),
)
PACKAGES = ("numpy", "pandas", "scipy", "scikit-learn", "xarray")


class IssueError(ForepawError):
    """There is no forecast to show."""


@dataclass(frozen=True)
class Issue:
    """One issued forecast; `forecast` is what its file holds."""

    id: str
    issued_at: datetime
    cut: DataCut
    model_hash: str
    settings_hash: str
    seed: int
    stale_sources: tuple[str, ...]
    file: Path
    hash: str
    forecast: xr.Dataset

    @property
    def has_visits(self) -> bool:
        """Whether counts, odds, plans and alerts may be read off it."""
        return "pressure" in self.forecast


def make_issue(
    practice: Practice, model: TrainedModel, known: Known, *, issued_at: datetime
) -> Issue:
    """Draw the futures, write the file, and return the issue. The records are the caller's."""
    settings = practice.settings.forecast
    seed = [settings.seed, known.origin.toordinal()]
    with threadpool_limits(1):
        drawn = futures(model, known, n_weeks=settings.weeks, n_draws=settings.draws, seed=seed)
        forecast = _forecast(model, known, drawn, n_weeks=settings.weeks)
    forecast.attrs = {
        "title": "forepaw issue",
        "origin": str(known.origin),
        "cut": json.dumps(model.cut.as_attributes(), sort_keys=True),
        "model_hash": model.hash,
        "settings_hash": practice.settings_sha256,
        "seed": settings.seed,
        "invented": int(practice.settings.practice.invented),
        "practice": practice.settings.practice.name,
        "credit": _credit(practice, known),
        "why_no_visits": model.why_no_visits,
        "tables": json.dumps({name: load_table(p, name).sha256 for p, name in TABLES}),
        "packages": json.dumps({name: version(name) for name in PACKAGES}),
    }
    tree = xr.DataTree(forecast)
    digest = content_hash(tree)
    path = practice.issued_folder / f"{known.origin}-{digest[:12]}.nc"
    if not path.exists():
        write_tree(tree, path)
    return Issue(
        digest[:12],
        issued_at,
        model.cut,
        model.hash,
        practice.settings_sha256,
        settings.seed,
        (),
        path,
        digest,
        forecast,
    )


def _credit(practice: Practice, known: Known) -> str:
    """Join the lines that the owners of the data ask for with those of the settings."""
    lines = [str(known.weather.attrs.get("credit", "")), *practice.settings.sources.credit]
    return " ".join(dict.fromkeys(line for line in lines if line))


def read_forecast(path: Path) -> xr.Dataset:
    """Read an issue's file; what it holds must be what its name says."""
    tree = read_tree(path)
    if not path.stem.endswith(content_hash(tree)[:12]):
        raise ArrayFileError(f"{path} was changed after it was issued; restore it from a back-up")
    return tree.to_dataset()


def latest_issue(practice: Practice, records: Records) -> Issue:
    """Return the issue with the latest origin, the last made of several."""
    rows = issues(records)
    if not rows:
        raise IssueError("no forecast has been issued yet; make one with `forepaw issue`")
    row = rows[-1]
    path = practice.issued_folder / row.file
    forecast = read_forecast(path)
    cut = DataCut.from_attributes(json.loads(forecast.attrs["cut"]))
    return Issue(
        row.id,
        row.issued_at,
        cut,
        row.model_hash,
        row.settings_sha256,
        row.seed,
        (),
        path,
        row.file_sha256,
        forecast,
    )


def _forecast(model: TrainedModel, known: Known, drawn: Futures, *, n_weeks: int) -> xr.Dataset:
    weeks = week_range(known.origin, n_weeks)
    past = model.exposure.past(known.weather, model.allergens)
    past = past.isel(week=slice(-PAST_WEEKS, None)).rename(week="past_week")
    order = ("region", "allergen", "draw")
    dates = {"start": drawn.exposure.start, "peak": drawn.exposure.peak, "end": drawn.exposure.end}
    held = xr.Dataset(
        {
            "exposure_past": past.transpose("region", "allergen", "past_week").astype(np.float32),
            "exposure_ahead": drawn.exposure.weekly.sel(week=weeks).transpose(
                "region", "allergen", "week", "draw"
            ),
            **{f"season_{k}": v.transpose(*order) for k, v in dates.items()},
            "listed": model.exposure.listed.transpose("region", "allergen").astype(np.int8),
        }
    )
    if model.visits is None or drawn.visits is None or known.counts is None:
        return _plain(held)
    held = held.assign(_visit_arrays(model, drawn, weeks.values).data_vars)
    seen = known.counts.isel(week=slice(-PAST_WEEKS, None)).rename(week="past_week")
    seen = seen.reindex(past_week=held["past_week"])
    for name in ("flare_visits", "consultations", "covered_share"):
        held[f"{name}_past"] = seen[name]
    return _plain(held)


def _visit_arrays(
    model: TrainedModel, drawn: Futures, weeks: np.ndarray[tuple[int], np.dtype[np.datetime64]]
) -> xr.Dataset:
    assert model.visits is not None
    assert drawn.visits is not None
    visits = drawn.visits
    rate = 1000.0 * visits.pressure / visits.consultations.clip(min=1)
    threshold = model.visits.thresholds()
    arrays = {
        "visits": visits.visits.astype(np.int32),
        "pressure": visits.pressure.astype(np.int32),
        "consultations": visits.consultations.astype(np.int32),
        "visits_quantiles": quantiles_of(visits.visits),
        "pressure_quantiles": quantiles_of(visits.pressure),
        "consultations_quantiles": quantiles_of(visits.consultations),
        "climatology_quantiles": quantiles_of(visits.members["climatology"]),
        "threshold": threshold,
        "season_threshold": model.visits.season_thresholds(),
        "odds_high": (rate > threshold).mean("draw"),
        "climatology_odds": model.visits.climatology_odds(weeks),
    }
    return xr.Dataset({k: v.drop_vars("driver", errors="ignore") for k, v in arrays.items()})


def _plain(held: xr.Dataset) -> xr.Dataset:
    """Drop coordinates nobody reads, so that equal forecasts are equal files."""
    keep = {"region", "week", "past_week", "allergen", "quantile"}
    return held.drop_vars([str(c) for c in held.coords if str(c) not in keep])
