r"""Follow-up: what became of each dose, seen inside the dog's own risk weeks only.

The effect time *T* of a dose is the time from the dose to the day on which the dog itches again
although it is in a season of its own. What tells of it:

* a quiet score on day *L* after the dose: :math:`T > L`;
* a score at or above the relapse score on day *R*, after the last quiet one: :math:`L < T \le R`
  (interval-censored);
* the next dose on day *D*, given for itch: :math:`\max(L, D - w) < T \le D`, since owners of a dog
  that was well again come within *w* days, so that the visit itself tells when the itch began;
  given by calendar: :math:`T > D` (censored); reason not known: one or the other, see
  ``likelihood``.

*Time at risk* is the first run of the dog's risk weeks that the dose reaches or precedes. Before it
and after it a quiet dog says nothing of the drug, and an itchy one nothing of its season, so
neither counts: what is not told by the end of the run is censored at the last quiet score in it.
Else every dose before a winter would seem to hold until spring. Days on which another therapy
covers the dog, or may, are blind.

Only dogs with scores are followed: without scores nobody knows when the effect ended.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from enum import IntEnum

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from models.errors import ForepawError
from models.parameters import load_table

ITCH, CALENDAR, NOT_KNOWN = "itch", "calendar", "not known"
REASONS = (ITCH, CALENDAR, NOT_KNOWN)
Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]


class End(IntEnum):
    """What ended the follow-up of a dose; OPEN where nothing did: today, or the risk weeks' end."""

    OPEN = 0
    SCORE = 1
    ITCH = 2
    CALENDAR = 3
    REASON_NOT_KNOWN = 4


_Spans = list[tuple[int, int]]  # first day and the day after the last, days since 1970-01-01
_Row = tuple[float, float, float, float, float, bool]  # dog and what `_outcome` returns
_EVER = np.iinfo(np.int64).max
_ENDS = {ITCH: End.ITCH, CALENDAR: End.CALENDAR, NOT_KNOWN: End.REASON_NOT_KNOWN}


class EffectTimeError(ForepawError):
    """Doses, scores or risk weeks that no effect time can be read off."""


@dataclass(frozen=True)
class FollowUps:
    """What became of each dose that tells anything, days since the dose, shape ``(dose,)``.

    Attributes
    ----------
    dogs
        Dogs with scores, in the order that `dog` counts in.
    dog
        Position of each dose's dog.
    quiet
        Last day taken as quiet, 0 where none is.
    relapsed
        First day known to itch, infinite where none is.
    followed
        Days followed.
    end
        What ended it, `End`.
    responded
        Whether anything shows that the dose had an effect: a quiet score, a dose by calendar, or no
        itch on record before the day by which a response is judged.
    """

    dogs: tuple[str, ...]
    dog: Ints
    quiet: Floats
    relapsed: Floats
    followed: Floats
    end: Ints
    responded: Flags

    @property
    def relapses(self) -> int:
        """Doses whose relapse is on record."""
        return int(np.isfinite(self.relapsed).sum())

    def of(self, dog: str) -> FollowUps:
        """Return one dog's doses; none where the dog has no scores."""
        number = self.dogs.index(dog) if dog in self.dogs else -1
        own = self.dog == number
        return FollowUps(
            (dog,),
            np.zeros(int(own.sum()), dtype=np.int64),
            self.quiet[own],
            self.relapsed[own],
            self.followed[own],
            self.end[own],
            self.responded[own],
        )


def follow_ups(
    doses: pd.DataFrame,
    scores: pd.DataFrame,
    risk: pd.DataFrame,
    *,
    relapse_score: float,
    known_on: date,
    blind: pd.DataFrame | None = None,
) -> FollowUps:
    """Say what became of each dose.

    Parameters
    ----------
    doses
        Doses given of one therapy: ``dog``, ``date``, ``reason`` (``itch``, ``calendar``, ``not
        known``).
    scores
        Pruritus visual analogue scores: ``dog``, ``date``, ``pvas`` (0 to 10). Scores spoken on a
        scale of 0 to 10 are none and must not be given.
    risk
        Each dog's own risk weeks as spans: ``dog``, ``first``, ``end`` (the day after the last).
    relapse_score
        Score from which a dog itches again.
    known_on
        The day up to which all is on record.
    blind
        Spans in which another therapy covers a dog, or may: ``dog``, ``first``, ``end`` (missing
        where no end is known).

    Raises
    ------
    EffectTimeError
        If a reason or a score is not one of those allowed.
    """
    _check(doses, scores)
    today = _number(pd.Timestamp(known_on))
    runs = {dog: _merged(spans) for dog, spans in _spans(risk).items()}
    unseen = _spans(blind) if blind is not None else {}
    told = _by_dog(scores.sort_values("date", kind="stable"), "pvas")
    given = _by_dog(doses.sort_values("date", kind="stable"), "reason")
    dogs = tuple(sorted(told))
    rows: list[_Row] = []
    for number, dog in enumerate(dogs):
        score_days, values = told[dog]
        seen = ~_within(score_days, unseen.get(dog, []))
        itchy = values[seen].astype(float) >= relapse_score
        days, reasons = given.get(dog, (np.zeros(0, np.int64), np.zeros(0, object)))
        for place, day in enumerate(days):
            following = days[place + 1] if place + 1 < days.size else None
            run = _run_of(runs.get(dog, []), int(day))
            if run is None:
                continue
            outcome = _outcome(
                int(day),
                run,
                score_days[seen],
                itchy,
                following=None if following is None else int(following),
                reason="" if following is None else str(reasons[place + 1]),
                unseen=unseen.get(dog, []),
                today=today,
            )
            if outcome is not None:
                rows.append((float(number), *outcome))
    return _as_arrays(dogs, rows)


def _outcome(
    day: int,
    run: tuple[int, int],
    score_days: Ints,
    itchy: Flags,
    *,
    following: int | None,
    reason: str,
    unseen: _Spans,
    today: int,
) -> tuple[float, float, float, float, bool] | None:
    """Return quiet, relapsed, followed, end, responded of a dose; None where never at risk."""
    table = load_table("models.effect_time", "effect_time.toml")
    last = min(run[1] - 1, today, _EVER if following is None else following)
    if last <= max(day, run[0]):
        return None
    earliest = max(day + int(table.number("follow_up.settle")), run[0])
    counts = (score_days >= earliest) & (score_days <= last)
    since, itches = (score_days[counts] - day).astype(float), itchy[counts]
    relapsed = float(since[itches][0]) if itches.any() else np.inf
    quiet = float(max(since[~itches & (since < relapsed)], default=0.0))
    followed = min(relapsed, float(last - day))
    end = _ENDS[reason] if following == day + followed else End.OPEN
    responded = quiet > 0
    if end is End.ITCH and quiet < followed:
        relapsed = followed
        quiet = max(quiet, followed - table.number("follow_up.longest_wait"))
    elif np.isfinite(relapsed):
        end = End.SCORE
    elif end is End.CALENDAR and not _within(np.array([last]), unseen)[0]:
        quiet, responded = followed, True
    elif quiet >= followed:  # a quiet score on the very day of the dose: it was not for itch
        end = End.OPEN
    if np.isfinite(relapsed):
        responded |= relapsed > table.number("follow_up.judged_by")
    return quiet, relapsed, followed, float(end), responded


def _run_of(runs: _Spans, day: int) -> tuple[int, int] | None:
    """Return the first run of risk weeks that ends after a dose and begins soon enough after it."""
    reach = load_table("models.effect_time", "effect_time.toml").number("follow_up.latest_start")
    later = [run for run in runs if run[1] > day]
    return later[0] if later and later[0][0] <= day + reach else None


def _check(doses: pd.DataFrame, scores: pd.DataFrame) -> None:
    unknown = sorted(set(doses["reason"].astype(str)) - set(REASONS))
    if unknown:
        raise EffectTimeError(
            f"a dose with the reason {unknown[0]!r} was given; allowed are {', '.join(REASONS)}; "
            "a reason that is not on record is 'not known'"
        )
    off = scores[~scores["pvas"].between(0, 10)]
    if len(off):
        raise EffectTimeError(
            f"an itch score of {off['pvas'].iloc[0]} on {off['date'].iloc[0]:%Y-%m-%d} was given; "
            "PVAS runs from 0 to 10; correct the record"
        )


def _number(day: pd.Timestamp) -> int:
    return int(day.to_datetime64().astype("datetime64[D]").astype(np.int64))


def _days(column: pd.Series) -> Ints:
    return column.to_numpy().astype("datetime64[D]").astype(np.int64)


def _by_dog(frame: pd.DataFrame, column: str) -> dict[str, tuple[Ints, NDArray[np.object_]]]:
    return {
        str(dog): (_days(own["date"]), own[column].to_numpy(object))
        for dog, own in frame.groupby("dog", sort=False)
    }


def _spans(frame: pd.DataFrame) -> dict[str, _Spans]:
    first = _days(frame["first"])
    end = np.where(frame["end"].isna(), _EVER, _days(frame["end"]))
    found: dict[str, _Spans] = {}
    for dog, begins, ends in zip(frame["dog"], first, end, strict=True):
        found.setdefault(str(dog), []).append((int(begins), int(ends)))
    return found


def _merged(spans: _Spans) -> _Spans:
    """Join spans that touch, in order."""
    runs: _Spans = []
    for first, end in sorted(spans):
        if runs and first <= runs[-1][1]:
            runs[-1] = (runs[-1][0], max(end, runs[-1][1]))
        else:
            runs.append((first, end))
    return runs


def _within(days: Ints, spans: _Spans) -> Flags:
    inside = np.zeros(days.shape, dtype=bool)
    for first, end in spans:
        inside |= (days >= first) & (days < end)
    return inside


def _as_arrays(dogs: tuple[str, ...], rows: list[_Row]) -> FollowUps:
    table = np.array(rows, dtype=float).reshape(len(rows), 6)
    dog, quiet, relapsed, followed, end, responded = table.T
    return FollowUps(
        dogs,
        dog.astype(np.int64),
        quiet,
        relapsed,
        followed,
        end.astype(np.int64),
        responded.astype(bool),
    )
