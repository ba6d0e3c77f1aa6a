"""The record: forecasts from past origins, each with only what was known then, and their scores.

Origins do not depend on each other, so they are spread over processes; each has a seed of its own,
and the scores are the same on any number of them. With a folder to keep them in, the scores of an
origin are written as soon as they are there, and a backtest that was broken off goes on. What is
kept is named by everything it hangs on (data, versions, tables, seed): nothing stale is taken up.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from datetime import date, timedelta
from multiprocessing import get_context
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pandas as pd
import xarray as xr
from threadpoolctl import threadpool_limits

from forecast.cut import DataCut, Known
from forecast.regions import Region
from forecast.training import Futures, TrainedModel, fit_onsets, futures, train_with
from forecast.versions import versions
from models.backtest import rolling_origins, score_origin
from models.flare.forecaster import past_rates
from models.flare.yearly_review import YearlyReview
from models.season import FloweringOnset
from models.weeks import week_range

FOLDER = "backtests"
WEEKS_AHEAD = 26
DRAWS = 200
_PRIVATE_FOLDER = 0o700
_DATES = ("origin", "week")


@dataclass(frozen=True)
class BacktestTask:
    """What every origin of a backtest shares.

    `high_week_centile` is that of training weeks above which a week is high, the table's unless
    given.
    """

    known: Known
    regions: Mapping[str, Region]
    cut: DataCut
    seed: int
    high_week_centile: float | None = None


def backtest(
    task: BacktestTask,
    *,
    first_weeks: int,
    every: int,
    workers: int = 1,
    keep_in: Path | None = None,
    progress: Callable[[str], None] = lambda _: None,
) -> pd.DataFrame:
    """Forecast from past origins and return every score; empty without visits.

    Rows of the model ``forepaw`` also hold `odds_high` and `usual_odds`, of pressure, and
    `was_high`, by the threshold of the origin's own model; NaN where not known.

    Parameters
    ----------
    task
        What all origins share.
    first_weeks, every
        The first origin has so many weeks of counts behind it, the others follow so many weeks
        apart.
    workers
        Processes that share the origins; the scores do not depend on it.
    keep_in
        Folder of kept scores; origins scored there before on the same are not run again.
    progress
        Told of every origin.
    """
    if task.known.counts is None:
        return pd.DataFrame()
    weeks = task.known.counts["week"].values
    origins = rolling_origins(weeks, first=first_weeks, every=every, n_ahead=WEEKS_AHEAD)
    kept = _Kept(keep_in / _rests_on(task)) if keep_in else None
    if kept:
        kept.mark_used()
    frames = {o: kept.read(o) for o in origins if kept.has(o)} if kept else {}
    if frames:
        progress(f"{len(frames)} of {len(origins)} origins were scored before")
    left = [origin for origin in origins if origin not in frames]
    for origin, frame in zip(left, _scores(task, left, workers), strict=True):
        frames[origin] = _dated(frame)
        if kept:
            kept.write(origin, frame)
        progress(f"origin {len(frames)} of {len(origins)}")
    scored = [frames[origin] for origin in origins if not frames[origin].empty]
    return pd.concat(scored, ignore_index=True) if scored else pd.DataFrame()


def _rests_on(task: BacktestTask) -> str:
    """Return a name for everything that the scores of an origin hang on."""
    known = task.known
    digest = hashlib.sha256()
    digest.update(json.dumps([versions(), task.cut.as_attributes(), task.seed]).encode())
    digest.update(json.dumps([WEEKS_AHEAD, DRAWS, task.high_week_centile]).encode())
    digest.update(repr(sorted(task.regions.items())).encode())
    for data in (known.counts, known.observed, known.layers, known.pollen):
        for name, values in sorted(data.variables.items()) if data is not None else ():
            digest.update(str(name).encode())
            digest.update(pd.util.hash_array(values.values.ravel()).tobytes())
    digest.update(pd.util.hash_pandas_object(known.flowering).to_numpy().tobytes())
    return digest.hexdigest()[:16]


def kept_scores(folder: Path) -> pd.DataFrame:
    """Return the kept scores of the backtest that was run last; empty where none was."""
    if not folder.is_dir():
        return pd.DataFrame()
    runs = sorted((one for one in folder.iterdir() if one.is_dir()), key=_last_used)
    if not runs:
        return pd.DataFrame()
    kept = _Kept(runs[-1])
    frames = [kept.read(np.datetime64(path.stem)) for path in sorted(runs[-1].glob("*.json"))]
    frames = [frame for frame in frames if not frame.empty]
    return pd.concat(frames, ignore_index=True) if frames else pd.DataFrame()


def _last_used(run: Path) -> float:
    return max((path.stat().st_mtime for path in run.glob("*.json")), default=0.0)


def _dated(frame: pd.DataFrame) -> pd.DataFrame:
    """Give the dates of scores one resolution, whether they were kept or have just been made."""
    dates = {n: pd.to_datetime(frame[n]).astype("datetime64[us]") for n in _DATES if n in frame}
    return frame.assign(**dates)


class _Kept:
    """Scores of one backtest, a file an origin."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        folder.mkdir(mode=_PRIVATE_FOLDER, parents=True, exist_ok=True)

    def mark_used(self) -> None:
        """Make it the backtest that was run last, also where all its origins are kept already."""
        for path in self.folder.glob("*.json"):
            os.utime(path)

    def _path(self, origin: np.datetime64) -> Path:
        return self.folder / f"{origin}.json"

    def has(self, origin: np.datetime64) -> bool:
        return self._path(origin).exists()

    def read(self, origin: np.datetime64) -> pd.DataFrame:
        return _dated(pd.DataFrame(json.loads(self._path(origin).read_text(encoding="utf-8"))))

    def write(self, origin: np.datetime64, frame: pd.DataFrame) -> None:
        """Write in one step: one that is broken off leaves no half of a file."""
        plain = frame.assign(**{name: frame[name].astype(str) for name in _DATES if name in frame})
        path = self._path(origin)
        part = path.with_suffix(".part")
        # JSON writes a float with all its digits: what is read is what was scored
        part.write_text(json.dumps(plain.to_dict("list")), encoding="utf-8")
        os.replace(part, path)


class Learnt(NamedTuple):
    """What all origins of a year share: onset models, and the review of its first week."""

    onsets: dict[str, FloweringOnset]
    review: YearlyReview | None


def _scores(
    task: BacktestTask, origins: Sequence[np.datetime64], workers: int
) -> Iterator[pd.DataFrame]:
    year_of = [pd.Timestamp(origin).year for origin in origins]
    years = sorted(set(year_of))
    if workers <= 1 or len(origins) < 2:
        learnt = {year: _learn_year(task, year) for year in years}
        for origin, year in zip(origins, year_of, strict=True):
            yield _score(task, origin, learnt[year])
        return
    # a fresh process each: the climate store's threads do not survive a fork
    pool = ProcessPoolExecutor(
        min(workers, len(origins)), get_context("spawn"), initializer=_begin, initargs=(task,)
    )
    with pool:
        learnt = dict(zip(years, pool.map(_learn_year_in_process, years), strict=True))
        yield from pool.map(_score_in_process, origins, [learnt[year] for year in year_of])


def _learn_year(task: BacktestTask, year: int) -> Learnt:
    """Learn what is looked at once a year, as known in its first week, whoever asks for it."""
    first = week_range(date(year, 1, 1) + timedelta(days=6), 1)[0].date()
    with threadpool_limits(1):
        # flowering of earlier years only, so one fit serves all origins of a year
        onsets = fit_onsets(task.known.before(date(year, 1, 1)), task.regions)
        then = task.known.before(first)
        found = train_with(then, task.regions, cut=task.cut, onsets=onsets).review
    # the origin of that week would make the very same one again, as it was decided on its own day
    return Learnt(onsets, None if found is None else replace(found, decided_at=found.reviewed))


def _score(task: BacktestTask, origin: np.datetime64, learnt: Learnt) -> pd.DataFrame:
    then = task.known.before(pd.Timestamp(origin).date())
    with threadpool_limits(1):
        model = train_with(
            then, task.regions, cut=task.cut, onsets=learnt.onsets, standing=learnt.review
        )
        drawn = futures(
            model,
            then,
            n_weeks=WEEKS_AHEAD,
            n_draws=DRAWS,
            seed=[task.seed, then.origin.toordinal()],
            with_dates=False,
        )
    if drawn.visits is None or task.known.counts is None:
        return pd.DataFrame()
    forecasts = {"forepaw": drawn.visits.visits, **drawn.visits.members}
    scored = score_origin(task.known.counts["flare_visits"], forecasts, origin=origin)
    odds = _odds(task, model, drawn).assign(model="forepaw")
    return scored.merge(odds, on=["region", "week", "model"], how="left")


def _odds(task: BacktestTask, model: TrainedModel, drawn: Futures) -> pd.DataFrame:
    """Return the odds of high weeks, as an issue holds them, and which weeks were high."""
    assert model.visits is not None
    assert drawn.visits is not None
    assert task.known.counts is not None
    threshold = model.visits.thresholds(task.high_week_centile)
    rate = 1000.0 * drawn.visits.pressure / drawn.visits.consultations.clip(min=1)
    weeks = rate["week"].values
    seen = task.known.counts.reindex(week=rate["week"], region=rate["region"])
    came = 1000.0 * past_rates(seen)["pressure_rate"]
    arrays = {
        "odds_high": (rate > threshold).mean("draw").where(threshold.notnull()),
        "usual_odds": model.visits.climatology_odds(weeks, task.high_week_centile),
        "was_high": (came > threshold).where(came.notnull() & threshold.notnull()),
    }
    held = xr.Dataset({k: v.drop_vars("driver", errors="ignore") for k, v in arrays.items()})
    frame = held.to_dataframe().reset_index()[["region", "week", *arrays]]
    return frame.astype(dict.fromkeys(arrays, float))


_task: BacktestTask | None = None


def _begin(task: BacktestTask) -> None:
    global _task
    _task = task


def _learn_year_in_process(year: int) -> Learnt:
    assert _task is not None
    return _learn_year(_task, year)


def _score_in_process(origin: np.datetime64, learnt: Learnt) -> pd.DataFrame:
    assert _task is not None
    return _score(_task, origin, learnt)
