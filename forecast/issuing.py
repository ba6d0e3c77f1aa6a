"""From a trained model and a cut to an Issue: an immutable file, and one of its draws beside it.

They hold, for the weeks ahead, draws and quantiles of flare visits, pressure and
consultations, the odds of a high week beside what climatology gives, what moves each week from
climatology, exposure past and ahead, the dates of the next exposure season and of the flowering of
plants that were observed; and the past counts they were made from. Without visits they
hold exposure and season dates only; a region without visits holds NaN, not known, in their place.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from datetime import date, datetime
from pathlib import Path

import numpy as np
import pandas as pd
import xarray as xr
from threadpoolctl import threadpool_limits

from forecast import issue_files
from forecast.climate import ClimateStore
from forecast.cut import DataCut, Known, StaleSource, WeatherGap
from forecast.flowering import flowering_arrays
from forecast.pollen_counts import pollen_read
from forecast.practice import Practice
from forecast.records.engine import Records
from forecast.records.issues import IssueRow, add_issue, issues
from forecast.training import (
    HISTORY_DAYS,
    Futures,
    TrainedModel,
    futures,
    review_text,
    up_to_date,
)
from forecast.versions import versions
from models.backtest import quantiles_of
from models.errors import ForepawError
from models.flare.explanation import explain
from models.weeks import week_range

PAST_WEEKS = 156
MODEL_SNAPSHOT = "model-"  # how the names of snapshots begin that models were learnt from


class IssueError(ForepawError):
    """There is no forecast to show."""


@dataclass(frozen=True)
class Issue:
    """One issued forecast; `forecast` is what its file holds.

    `cut` is what was known when it was made, `model_cut` what its model was learnt from, on that
    day or up to some days before. `stale_sources` names what ended long before the origin, such as
    ``weather of jeju``.
    """

    id: str
    issued_at: datetime
    cut: DataCut
    model_cut: DataCut
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
        return "pressure_quantiles" in self.forecast

    @property
    def has_draws(self) -> bool:
        """Whether its draws are still kept: dates, figures and plans are read off them."""
        return "exposure_ahead" in self.forecast

    def knows_visits_of(self, region: str) -> bool:
        """Whether any week of visits of a region was known; else nothing is forecast of them."""
        return self.has_visits and bool(self.forecast["threshold"].sel(region=region).notnull())


def make_issue(
    practice: Practice,
    model: TrainedModel,
    known: Known,
    *,
    issued_at: datetime,
    cut: DataCut | None = None,
    run_id: str = "",
) -> Issue:
    """Draw the futures, write the files, and return the issue; its row is `keep_issue`'s.

    `cut` is what was known was read by: the model's own unless given.
    """
    forecast = draw_forecast(practice, model, known, cut=cut)
    forecast.attrs |= {"issued_at": issued_at.isoformat(), "run_id": run_id}
    path = issue_files.write_issue(forecast, practice.issued_folder, origin=str(known.origin))
    return read_issue(path)


def draw_forecast(
    practice: Practice, model: TrainedModel, known: Known, *, cut: DataCut | None = None
) -> xr.Dataset:
    """Draw the futures of a trained model: what an issue's file holds, told when apart.

    The model may be older than the cut, never newer; it is told of the counts that came since.
    """
    cut = model.cut if cut is None else cut
    if not model.cut.origin <= cut.origin == known.origin:
        raise IssueError(
            f"a forecast of {cut.origin} from what was known on {known.origin} was asked of a "
            f"model learnt from what was known on {model.cut.origin}; a forecast rests on a model "
            "of its own day or before: learn one of that day"
        )
    settings = practice.settings.forecast
    seed = [settings.seed, known.origin.toordinal()]
    with threadpool_limits(1):
        past = model.exposure.past(known.weather, model.allergens)
        current = up_to_date(model, known, past)
        drawn = futures(current, known, n_weeks=settings.weeks, n_draws=settings.draws, seed=seed)
        forecast = _forecast(current, known, drawn, past, practice=practice)
    forecast.attrs = _attributes(practice, model, known, cut=cut)
    return forecast


def _attributes(
    practice: Practice, model: TrainedModel, known: Known, *, cut: DataCut
) -> dict[str, str | int]:
    with_what = versions()
    return {
        "title": "forepaw issue",
        "origin": str(known.origin),
        "cut": json.dumps(cut.as_attributes(), sort_keys=True),
        "model_cut": json.dumps(model.cut.as_attributes(), sort_keys=True),
        "model_hash": model.hash,
        "settings_hash": practice.settings_sha256,
        "settings_text": practice.settings_text,
        "seed": practice.settings.forecast.seed,
        "invented": int(practice.settings.practice.invented),
        "practice": practice.settings.practice.name,
        "credit": _credit(practice, known),
        "sources_in_use": " ".join(section.source for section in practice.settings.pull),
        "weather_until": str(known.weather_until),
        "weather_gaps": _as_json(known.weather_gaps(HISTORY_DAYS)),
        "pollen_read": json.dumps(pollen_read(known.pollen, model.exposure.calibration)),
        "stale_sources": _as_json(known.stale_sources()),
        "why_no_visits": model.why_no_visits,
        "review": review_text(model.review),
        "tables": json.dumps(with_what["tables"]),
        "packages": json.dumps(with_what["packages"]),
    }


def _as_json(found: Sequence[StaleSource] | Sequence[WeatherGap]) -> str:
    return json.dumps([asdict(one) for one in found], default=str)


def read_issue(path: Path, *, with_draws: bool = True) -> Issue:
    """Read an issue from its file, which tells everything about it."""
    forecast, digest = issue_files.read_issue(path, with_draws=with_draws)
    attrs = forecast.attrs
    stale = json.loads(attrs.get("stale_sources", "[]"))
    return Issue(
        digest[:12],
        datetime.fromisoformat(attrs["issued_at"]),
        DataCut.from_attributes(json.loads(attrs["cut"])),
        # a file of before models were learnt once a week does not tell it: the two were one
        DataCut.from_attributes(json.loads(attrs.get("model_cut", attrs["cut"]))),
        str(attrs["model_hash"]),
        str(attrs["settings_hash"]),
        int(attrs["seed"]),
        tuple(f"{one['source']} of {one['region']}" for one in stale),
        path,
        digest,
        forecast,
    )


def of_region(issue: Issue, region: str) -> Issue:
    """Return an issue with one region alone, and with that region's draws while they are kept."""
    one = issue.forecast.sel(region=[region])
    if not issue.has_draws:
        draws = issue_files.read_draws_of(issue.file, region)
        if draws is not None:
            one = one.assign(draws.expand_dims(region=[region]).data_vars)
    return replace(issue, forecast=one)


def keep_issue(records: Records, climate: ClimateStore, issue: Issue) -> None:
    """Name the climate snapshots and write the row: after the file, so that a row has its file.

    They are its own and the one that its model was learnt from. Doing it again changes nothing, so
    an issue whose process was killed can be completed; also when its snapshot is gone meanwhile: it
    can then be read, and not made again.
    """
    for name, cut in (
        (snapshot_name(issue.id), issue.cut),
        (model_snapshot_name(issue.model_hash), issue.model_cut),
    ):
        if climate.holds(cut.climate_snapshot):
            climate.tag(name, cut.climate_snapshot)
    row = IssueRow(
        id=issue.id,
        issued_at=issue.issued_at,
        origin=issue.cut.origin,
        kind=issue.cut.kind,
        model_hash=issue.model_hash,
        settings_sha256=issue.settings_hash,
        seed=issue.seed,
        file=issue.file.name,
        file_sha256=issue.hash,
        climate_snapshot=issue.cut.climate_snapshot,
        visit_vintage=issue.cut.visit_vintage if issue.has_visits else None,
    )
    text = str(issue.forecast.attrs["settings_text"])
    add_issue(records, row, settings_text=text, summaries=_summaries(issue))


def snapshot_name(issue_id: str) -> str:
    """Return the name under which the climate store keeps the weather of an issue."""
    return f"issue-{issue_id}"


def model_snapshot_name(model_hash: str) -> str:
    """Return the name under which the climate store keeps the weather a model was learnt from."""
    return f"{MODEL_SNAPSHOT}{model_hash[:16]}"


def _summaries(issue: Issue) -> dict[str, dict[str, object]]:
    """One line a region: what a season page shows without opening the file."""
    found: dict[str, dict[str, object]] = {}
    for region in issue.forecast["region"].values:
        if not issue.has_visits:
            found[str(region)] = {"visits": "not known"}
            continue
        one = issue.forecast.sel(region=region)
        odds = one["odds_high"].to_series().dropna()
        if odds.empty:
            found[str(region)] = {"visits": "not known"}
            continue
        found[str(region)] = {
            "expected_visits": round(float(one["visits_mean"].sum()), 1),
            "highest_week": f"{pd.Timestamp(str(odds.idxmax())):%Y-%m-%d}",
            "odds_high": round(float(odds.max()), 3),
        }
    return found


def _credit(practice: Practice, known: Known) -> str:
    """Join the lines that the owners of the data ask for with those of the settings."""
    lines = [str(known.weather.attrs.get("credit", "")), *practice.settings.sources.credit]
    return " ".join(dict.fromkeys(line for line in lines if line))


def latest_issue(practice: Practice, records: Records, *, as_of: date | None = None) -> Issue:
    """Return the issue with the latest origin (by `as_of`, if given), the last made of several.

    One whose draws are no longer kept is refused.
    """
    rows = [row for row in issues(records) if as_of is None or row.origin <= as_of]
    if not rows:
        when = "" if as_of is None else f" from {as_of} or before"
        again = "" if as_of is None else f" --as-of {as_of}"
        raise IssueError(
            f"no forecast{when} has been issued yet; make one with `forepaw issue{again}`"
        )
    latest = read_issue(practice.issued_folder / rows[-1].file)
    if not latest.has_draws:
        raise IssueError(
            f"the draws of issue {latest.id}, the latest of {latest.cut.origin} or before, were "
            "asked for; they are kept for a while only, unless a plan was made from them; make a "
            f"forecast anew with `forepaw issue --as-of {latest.cut.origin}`"
        )
    return latest


def _forecast(
    model: TrainedModel, known: Known, drawn: Futures, past: xr.DataArray, *, practice: Practice
) -> xr.Dataset:
    settings = practice.settings.forecast
    weeks = week_range(known.origin, settings.weeks)
    # every week up to the first one ahead; those whose weather is not held yet are not known
    gone = pd.date_range(end=weeks[0] - pd.Timedelta(days=7), periods=PAST_WEEKS, freq="7D")
    past = past.reindex(week=gone).rename(week="past_week")
    order = ("region", "allergen", "draw")
    dates = {"start": drawn.exposure.start, "peak": drawn.exposure.peak, "end": drawn.exposure.end}
    ahead = drawn.exposure.weekly.sel(week=weeks).transpose("region", "allergen", "week", "draw")
    held = xr.Dataset(
        {
            "exposure_past": past.transpose("region", "allergen", "past_week").astype(np.float32),
            "exposure_ahead": ahead,
            "exposure_quantiles": quantiles_of(ahead).astype(np.float32),
            **{f"season_{k}": v.transpose(*order) for k, v in dates.items()},
            "season_dated": drawn.exposure.dated.transpose(*order).astype(np.int8),
            "listed": model.exposure.listed.transpose("region", "allergen").astype(np.int8),
        }
    )
    held = held.merge(flowering_arrays(model, known), join="exact")
    if model.visits is None or drawn.visits is None or known.counts is None:
        return _plain(held)
    arrays = _visit_arrays(model, drawn, weeks.values, centile=settings.high_week_centile)
    held = held.assign(arrays.data_vars)
    if drawn.visits.demand is not None and known.open_ahead is not None:
        listed = known.open_ahead.reindex(region=held["region"], week=held["week"])
        held["open_share"] = listed.fillna(1.0)
    seen = known.counts.rename(week="past_week").reindex(past_week=held["past_week"])
    for name in ("flare_visits", "consultations", "covered_share"):
        held[f"{name}_past"] = seen[name]
    return _plain(held)


def _visit_arrays(
    model: TrainedModel,
    drawn: Futures,
    weeks: np.ndarray[tuple[int], np.dtype[np.datetime64]],
    *,
    centile: float,
) -> xr.Dataset:
    assert model.visits is not None
    assert drawn.visits is not None
    assert drawn.drivers is not None
    visits = drawn.visits
    demand = visits.consultations if visits.demand is None else visits.demand
    rate = 1000.0 * visits.pressure / demand.clip(min=1)
    threshold = model.visits.thresholds(centile)
    arrays = {
        "visits": visits.visits.astype(np.float32),
        "pressure": visits.pressure.astype(np.float32),
        "consultations": visits.consultations.astype(np.float32),
        "visits_mean": visits.visits.mean("draw"),
        "visits_quantiles": quantiles_of(visits.visits),
        "pressure_quantiles": quantiles_of(visits.pressure),
        "consultations_quantiles": quantiles_of(visits.consultations),
        "climatology_quantiles": quantiles_of(visits.members["climatology"]),
        "threshold": threshold,
        "season_threshold": model.visits.season_thresholds(centile),
        "odds_high": (rate > threshold).mean("draw"),
        "climatology_odds": model.visits.climatology_odds(weeks, centile),
        "explanation": explain(model.visits, drawn.drivers, replace(visits, consultations=demand)),
    }
    if visits.demand is not None:
        arrays["demand"] = demand.astype(np.float32)
    # of a region whose visits nobody reported, those of the others say nothing
    reported = threshold.notnull()
    arrays = {name: array.where(reported) for name, array in arrays.items()}
    return xr.Dataset({k: v.drop_vars("driver", errors="ignore") for k, v in arrays.items()})


def _plain(held: xr.Dataset) -> xr.Dataset:
    """Drop coordinates nobody reads, so that equal forecasts are equal files."""
    keep = {"region", "week", "past_week", "allergen", "quantile", "term", "plant"}
    return held.drop_vars([str(c) for c in held.coords if str(c) not in keep])
