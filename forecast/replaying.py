"""Replaying: past issue dates again, with only what was known then.

Where an issue was made, it is made again and compared bit for bit (`forecast.remaking`). Where none
was, a hindcast is made as of that day: what a forecast then could have known, which is the days
before it less what each source had not given yet, and visits that were entered by then. A model is
learnt for each, so that no hindcast depends on another. Both are held against what came, apart from
one another. Nothing is written here, and a hindcast is not kept as an issue: it would stand beside
those that people acted on.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from functools import cached_property
from typing import Literal, NamedTuple

import pandas as pd
import xarray as xr
from threadpoolctl import threadpool_limits

from forecast.climate import ClimateError, ClimateStore
from forecast.cut import CutError, DataCut, Known, known_weather
from forecast.dosing.rules import rules_of
from forecast.issuing import draw_forecast, read_issue
from forecast.practice import Practice
from forecast.records.engine import Records
from forecast.records.issues import IssueRow, issue
from forecast.records.vintages import vintage
from forecast.regions import regions
from forecast.remaking import RemakeError, remake
from forecast.skill import SkillRecord, summarise
from forecast.training import train
from forecast.verification import score_forecast, settled_counts
from forecast.visits.counting.alerted import mark_alerted
from forecast.visits.counting.counts import anything_to_count, current_counts
from models.errors import ForepawError

Outcome = Literal["the same", "different", "hindcast", "not possible"]


class ReplayError(ForepawError):
    """A replay of these days cannot be."""


class ReplayDay(NamedTuple):
    """A day to be replayed, and the issue that was made as of it; empty where none was."""

    day: date
    issue_id: str


@dataclass(frozen=True)
class Replayed:
    """What came of one day; `scores` are rows of `forecast.verification.score_forecast`."""

    day: date
    issue_id: str
    outcome: Outcome
    sentence: str
    changed: tuple[str, ...]
    scores: pd.DataFrame

    @property
    def kind(self) -> str:
        """Of which record its scores are part."""
        return "issued" if self.issue_id else "hindcast"


def replay_days(
    rows: Sequence[IssueRow], *, first: date, last: date, every: int
) -> list[ReplayDay]:
    """Return the days to be replayed, one in each stretch of `every` days.

    The first issue made in a stretch stands for it; a stretch without one has a hindcast as of its
    first day. `rows` are those of issued forecasts, in their order.
    """
    if every < 1 or first > last:
        raise ReplayError(
            f"a replay from {first} to {last} every {every} days was asked; name two days in "
            "their order, and one day or more between"
        )
    found = []
    for start in range(first.toordinal(), last.toordinal() + 1, every):
        begin = date.fromordinal(start)
        end = min(begin + timedelta(days=every - 1), last)
        made = next((row for row in rows if begin <= row.origin <= end), None)
        found.append(ReplayDay(made.origin, made.id) if made else ReplayDay(begin, ""))
    return found


@dataclass(frozen=True)
class Replay:
    """What every day of a replay shares: the practice, and the data as they are held now.

    `visit_vintage` is what forecasts are held against, None without visits; `lag_days` tells how
    long each source takes to give a day.
    """

    practice: Practice
    records: Records
    climate: ClimateStore
    climate_snapshot: str
    visit_vintage: str | None
    lag_days: Mapping[str, float]

    def one(self, day: ReplayDay) -> Replayed:
        """Replay one day."""
        if day.issue_id:
            return self._made_again(day)
        try:
            forecast = self.hindcast(day.day)
        except (CutError, ClimateError) as refusal:
            return self._done(day, "not possible", str(refusal))
        said = f"hindcast as of {day.day}"
        if "visits_quantiles" not in forecast:
            said += f", without visits: {forecast.attrs['why_no_visits']}"
        return self._done(day, "hindcast", said, forecast=forecast)

    def _made_again(self, day: ReplayDay) -> Replayed:
        file = issue(self.records, day.issue_id).file
        stored = read_issue(self.practice.issued_folder / file)
        forecast = stored.forecast if self._counted_as(stored.cut) else None
        try:
            made = remake(self.practice, self.records, self.climate, issue_id=day.issue_id)
        except RemakeError as refusal:
            return self._done(day, "not possible", str(refusal), forecast=forecast)
        return self._done(
            day,
            "the same" if made.same_arrays and made.same_model is not False else "different",
            made.sentence,
            changed=made.changed,
            forecast=forecast,
        )

    def _counted_as(self, cut: DataCut) -> bool:
        """Say whether an issue was made under the case definition of what it is held against."""
        return cut.case_definition == self._case_definition

    def _done(
        self,
        day: ReplayDay,
        outcome: Outcome,
        sentence: str,
        *,
        changed: tuple[str, ...] = (),
        forecast: xr.Dataset | None = None,
    ) -> Replayed:
        scores = pd.DataFrame()
        if forecast is not None and self._came is not None:
            scores = score_forecast(forecast, self._came)
        return Replayed(day.day, day.issue_id, outcome, sentence, changed, scores)

    @cached_property
    def _case_definition(self) -> str:
        if self.visit_vintage is None:
            return ""
        return vintage(self.records, self.visit_vintage).case_definition

    @cached_property
    def _came(self) -> xr.Dataset | None:
        if self.visit_vintage is None:
            return None
        newest = vintage(self.records, self.visit_vintage)
        return settled_counts(self.practice, self.records, newest)

    def hindcast(self, day: date) -> xr.Dataset:
        """Return the forecast that could have been made as of a day, with the settings of today."""
        cut = self.cut_of(day)
        known = self.known_on(day, cut)
        with threadpool_limits(1):
            model = train(known, regions(self.practice), cut=cut)
        return draw_forecast(self.practice, model, known)

    def cut_of(self, day: date) -> DataCut:
        """Return the cut of a hindcast as of a day, without what sources had not given by then."""
        lags = tuple(sorted(self.lag_days.items()))
        return DataCut(day, self.climate_snapshot, None, self._case_definition, "hindcast", lags)

    def known_on(self, day: date, cut: DataCut) -> Known:
        """Return what could be known as of a day; nothing of it is kept."""
        known = known_weather(self.practice, self.climate, cut=cut)
        if self.visit_vintage is None or not anything_to_count(self.records, known_on=day):
            return known
        counts = current_counts(
            self.practice, self.records, cover_rules=rules_of(self.practice).cover, known_on=day
        )
        counts = counts.reindex(region=known.observed["region"].values)
        if not counts.sizes["week"] or bool(counts["flare_visits"].isnull().all()):
            return known
        return replace(known, counts=mark_alerted(counts, self.records, origin=day))


def record_of(
    done: Sequence[Replayed], *, kind: Literal["issued", "hindcast"], seed: int
) -> SkillRecord:
    """Return how the days of one kind did."""
    parts = [
        one.scores.assign(issue_id=one.issue_id or str(one.day))
        for one in done
        if one.kind == kind and not one.scores.empty
    ]
    rows = pd.concat(parts, ignore_index=True) if parts else pd.DataFrame()
    return summarise(rows, kind=kind, seed=seed)
