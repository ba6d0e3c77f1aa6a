r"""Pollen seasons of measured counts: the clinical rule and the percent rules.

A *pollen season* is read off daily pollen or spore concentrations that were counted. It is not the
modelled exposure season (`models.season.dates`) and not a flare season.

**Clinical rule** (EAACI). With the constants of a taxon, a day *qualifies* at or above the daily
threshold. A day begins a season if it qualifies and, of the seven days from it on, at least five
qualify whose sum (of the largest five) reaches the sum threshold; a day ends one by the same rule
looking back. The peak period runs from the first to the last of three days in a row at or above the
high threshold. The rule may hold nowhere in a year (*no season*), and counts may fall low between
stretches: each stretch covered by qualifying weeks that overlap or touch is a *segment*.

**Percent rules.** From the first day on which the running sum reaches a share *p* of the whole sum
to the first on which it reaches *1 - p*. (Some libraries sum backwards for the end, which can
differ by a day.)

What is not known stays so. Gaps of up to three days are interpolated; a longer one within the
record makes the clinical start (or end) not known where it lies before (or after) it, and a percent
season not known at all. Days before the first count and after the last are outside the record: a
clinical season that runs on its first or last day has a start or end that is not known.

Known failure: over thirty years in Thessaloniki the clinical rule gave no season in 10 % of the
years for cypress and in 60 % for olive (Karatzas et al. 2019), so none is an answer, not an error.

References
----------
Pfaar O. et al. 2017. Allergy 72:713-722. Hoffmann T.M. et al. 2020 (up to eight segments in
southern Europe). Karatzas K. et al. 2019. Aerobiologia 35:659-669. Nilsson S., Persson S. 1981.
Grana 20:179-182. Andersen T.B. 1991. Grana 30:269-275. Galan C. et al. 1995. Grana 34:189-198.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from models.errors import ForepawError
from models.gaps import fill_short_gaps
from models.parameters import load_table

_Array = NDArray[np.float64]
_Flags = NDArray[np.bool_]

_TABLE = load_table("models", "pollen_season.toml")
_ROUNDING = 1e-9  # shares of a sum are compared with this much mercy for binary fractions


class PollenSeasonError(ForepawError):
    """Counts, a taxon or a share from which no pollen season can be read."""


@dataclass(frozen=True)
class Span:
    """First and last day of something, both within it."""

    start: pd.Timestamp
    end: pd.Timestamp


@dataclass(frozen=True)
class PollenSeason:
    """The season of one series of counts, usually one year.

    Attributes
    ----------
    rule
        How it was read: ``clinical`` or ``percent 90`` and so on.
    segments
        Stretches of the season in order of time; empty where there is none.
    peak
        Peak period of the clinical rule; None where no three high days follow each other.
    high_days
        Known days at or above the high threshold; None for a percent rule [d].
    start_known, end_known
        False where days that are not known may hold an earlier start or a later end.
    """

    rule: str
    segments: tuple[Span, ...]
    peak: Span | None
    high_days: int | None
    start_known: bool
    end_known: bool

    @property
    def start(self) -> pd.Timestamp | None:
        """First day of the first segment."""
        return self.segments[0].start if self.segments else None

    @property
    def end(self) -> pd.Timestamp | None:
        """Last day of the last segment."""
        return self.segments[-1].end if self.segments else None

    @property
    def state(self) -> Literal["season", "no season", "not known"]:
        """Whether there was one; *no season* only where every day is known."""
        if self.segments:
            return "season"
        return "no season" if self.start_known and self.end_known else "not known"


def clinical_season(counts: pd.Series[float], taxon: str) -> PollenSeason:
    """Read the season by the clinical rule.

    Parameters
    ----------
    counts
        Daily mean concentrations of one season year on a daily index, NaN where not counted
        [m-3].
    taxon
        One of the taxa of the table: birch, grasses, cypress, olive, ragweed.

    Returns
    -------
    PollenSeason
        Start, end and segments, peak period and high days.

    Raises
    ------
    PollenSeasonError
        If the taxon has no constants, the index leaves days out, or a count is below zero.
    """
    limits = _limits(taxon)
    days, values, known = _prepared(counts)
    starts = _begins(values, limits["daily"], limits["sum"])
    covered = _covered(starts, values >= limits["daily"])
    high = values >= limits["high"]
    first, last = _ends_of(covered)
    return PollenSeason(
        "clinical",
        tuple(Span(days[a], days[b]) for a, b in _runs(covered)),
        _peak(high, days),
        int(high.sum()),
        bool(known[:first].all()) and first > 0,
        bool(known[last + 1 :].all()) and last < len(days) - 1,
    )


def percent_season(counts: pd.Series[float], *, percent: int = 90) -> PollenSeason:
    """Read the season that holds a share of the whole sum.

    Parameters
    ----------
    counts
        As for `clinical_season`.
    percent
        90, 95 or 98: the share of the sum within the season [%].

    Returns
    -------
    PollenSeason
        One segment; none where the sum is zero; not known where a longer gap leaves it so.

    Raises
    ------
    PollenSeasonError
        If the rule does not exist, the index leaves days out, or a count is below zero.
    """
    rules = _TABLE.group("percent")
    if str(percent) not in rules:
        raise PollenSeasonError(
            f"a season of {percent} % was asked; the rules are {', '.join(rules)} %"
        )
    share, rule = rules[str(percent)].number, f"percent {percent}"
    days, values, known = _prepared(counts)
    if not known.all() or not known.size:
        return PollenSeason(rule, (), None, None, False, False)
    running = np.cumsum(values)
    total = running[-1]
    if total <= 0:
        return PollenSeason(rule, (), None, None, True, True)
    start, end = (_first_reaching(running, part * total) for part in (share, 1.0 - share))
    return PollenSeason(rule, (Span(days[start], days[end]),), None, None, True, True)


def day_of_cumulative_sum(counts: pd.Series[float], level: float) -> pd.Timestamp | None:
    """Return the first day on which the sum since the first day reaches a level.

    Parameters
    ----------
    counts
        As for `clinical_season`, beginning on the day from which to sum, such as 1 January.
    level
        Sum to reach [d m-3], such as 75, 100 or 125.

    Returns
    -------
    pandas.Timestamp or None
        None where the sum is never reached, or a longer gap before that day leaves it not known.

    Raises
    ------
    PollenSeasonError
        If the level is not above zero, the index leaves days out, or a count is below zero.

    References
    ----------
    Driessen M.N.B.M. et al. 1990. Grana 29:79-86 (100 for grasses, 125 for birch).
    """
    if not level > 0:
        raise PollenSeasonError(f"a sum to reach must be above zero, got {level:g}")
    days, values, known = _prepared(counts)
    reached = np.cumsum(np.where(known, values, 0.0)) >= level * (1.0 - _ROUNDING)
    first = int(np.argmax(reached)) if reached.any() else len(days)
    return days[first] if first < len(days) and known[:first].all() else None


def _limits(taxon: str) -> dict[str, float]:
    taxa = [g for g in _TABLE.groups() if f"{g}.daily" in _TABLE.parameters]
    if taxon not in taxa:
        raise PollenSeasonError(
            f"the clinical rule has no constants for {taxon!r}; it has them for {', '.join(taxa)}"
        )
    return {name: p.number for name, p in _TABLE.group(taxon).items()}


def _prepared(counts: pd.Series[float]) -> tuple[pd.DatetimeIndex, _Array, _Flags]:
    """Return days from the first count to the last, values with short gaps filled, and known."""
    days = pd.DatetimeIndex(counts.index)
    values: _Array = np.asarray(counts, dtype=np.float64)
    steps = np.diff(days.values) != np.timedelta64(1, "D")
    if steps.any():
        after = int(np.argmax(steps))
        raise PollenSeasonError(
            f"counts need every day on their index; {days[after]:%Y-%m-%d} is followed by "
            f"{days[after + 1]:%Y-%m-%d}: put the days between them in, as missing values"
        )
    if (values < 0).any():
        wrong = int(np.argmax(values < 0))
        raise PollenSeasonError(
            f"a count must be 0 or more, found {values[wrong]:g} on {days[wrong]:%Y-%m-%d}"
        )
    counted = np.flatnonzero(~np.isnan(values))  # none at all leaves an empty record
    record = slice(counted[0], counted[-1] + 1) if counted.size else slice(0)
    filled = fill_short_gaps(values[record], longest=int(_TABLE.number("longest_gap")))
    return days[record], filled, ~np.isnan(filled)


def _begins(values: _Array, daily: float, least_sum: float) -> _Flags:
    """Return the days that begin a season; NaN never qualifies."""
    width, needed = (int(_TABLE.number(f"clinical.{n}")) for n in ("window", "qualifying_days"))
    counting = np.where(values >= daily, values, 0.0)
    ahead = sliding_window_view(np.concatenate([counting, np.zeros(width)]), width)[:-1]
    largest = np.sort(ahead, axis=-1)[:, -needed:]
    enough = (largest > 0).all(axis=-1) & (largest.sum(axis=-1) >= least_sum)
    return np.asarray(enough & (counting > 0))


def _covered(starts: _Flags, qualifies: _Flags) -> _Flags:
    """Return the days from a beginning to the last qualifying day of its window."""
    width = int(_TABLE.number("clinical.window"))
    covered = np.zeros_like(starts)
    for start in np.flatnonzero(starts):
        within = np.flatnonzero(qualifies[start : start + width])
        covered[start : start + within[-1] + 1] = True
    return covered


def _runs(flags: _Flags) -> list[tuple[int, int]]:
    """Return first and last position of each stretch of true flags."""
    edges = np.diff(np.concatenate([[False], flags, [False]]).astype(np.int8))
    firsts, stops = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)
    return [(int(a), int(b) - 1) for a, b in zip(firsts, stops, strict=True)]


def _ends_of(covered: _Flags) -> tuple[int, int]:
    """Return first and last covered position; where there is none, so that all days must be known.

    The record's own ends then count as inside, since a year without season has none to cut off.
    """
    at = np.flatnonzero(covered)
    return (int(at[0]), int(at[-1])) if at.size else (len(covered), -1)


def _peak(high: _Flags, days: pd.DatetimeIndex) -> Span | None:
    least = int(_TABLE.number("clinical.peak_days"))
    long = [run for run in _runs(high) if run[1] - run[0] + 1 >= least]
    return Span(days[long[0][0]], days[long[-1][1]]) if long else None


def _first_reaching(running: _Array, level: float) -> int:
    return int(np.argmax(running >= level - _ROUNDING * running[-1]))
