r"""One fit for every family: draws within bounds, their requirements solved, the best refined.

Start, thresholds, exponents and chill effects of a heat sum trade off against each other, and with
some hundred dates the best single set is luck. So sets are drawn within the bounds of
``families.toml`` for each family, seeded; of each the requirement is solved so that its error has
median zero; and sets of the better half, together with the best one of each family (refined by a
shrinking random search from several restarts), are all kept: what is made of them is left to the
regression on their days (:mod:`models.season.station_regression`).

The loss is the mean absolute error around its median: one date of a wrong year does not decide.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.parameters import load_table
from models.season.families import (
    ALTERNATING,
    EXPONENTIAL,
    FIELDS,
    PHOTOTHERMAL,
    SEQUENTIAL,
    SHORT_DAY,
    SIGMOID,
    THERMAL,
    ParameterSets,
    SeasonDays,
    chill_days,
    development,
    flowering_days,
)

_Array = NDArray[np.float64]

_NEAR = 4  # days on either side over which the pace of a sum is taken
_UNSTARTED_SHARE = 0.05  # a set that begins after this share of observed dates is left out
_UNMET_SHARE = 0.01  # a set that this share of observed seasons never meets is left out
_SEARCHED = (
    "daytime_share",
    "start",
    "base",
    "slope",
    "midpoint",
    "exponent",
    "photoperiod",
    "chill_effect",
    "chill_need",
)


@dataclass(frozen=True)
class FittedSets:
    """Sets with requirements, their days in the training seasons, and their losses.

    Attributes
    ----------
    sets
        With ``requirement`` and ``mean_chill``.
    days
        Dims (set, observation) [d].
    loss
        Mean absolute error around its median [d].
    """

    sets: ParameterSets
    days: _Array
    loss: _Array

    def taken(self, chosen: NDArray[np.int64]) -> FittedSets:
        """Return some of the sets."""
        return FittedSets(
            ParameterSets(self.sets.values[chosen]), self.days[chosen], self.loss[chosen]
        )


def fit_sets(days: SeasonDays, observed: _Array, *, late: bool = False) -> FittedSets:
    """Fit the sets that stand for what is known of a plant.

    Parameters
    ----------
    days
        The season of each observation.
    observed
        Observed day [d].
    late
        Whether the plant is one of late summer and autumn.

    Returns
    -------
    FittedSets
        Some of the better half of all drawn, then the refined best one of each family.

    Raises
    ------
    ValueError
        If no set of any family reaches the observed dates.
    """
    table = load_table("models.season", "families.toml")
    rng = np.random.default_rng(int(table.number("seed")))
    families = _LATE if late else _SPRING
    everything = days, observed
    days, observed = _sample(days, observed, most=int(table.number("most_dates")))
    count = int(table.number("draws"))
    drawn = [_solved(_draw(f, count, rng, late=late), days, observed) for f in families]
    if not any(len(family.sets) for family in drawn):
        raise ValueError("no parameter set of any family reaches every observed date")
    best = [
        fit_family(f, days, observed, drawn=d, late=late)
        for f, d in zip(families, drawn, strict=True)
    ]
    pool = _joined(drawn)
    better = np.argsort(pool.loss, kind="stable")[: max(1, len(pool.loss) // 2)]
    kept = min(int(table.number("kept")), len(better))
    chosen = np.sort(rng.choice(better, kept, replace=False))
    fitted = _solved(_joined([pool.taken(chosen), *best]).sets, *everything)
    if not len(fitted.sets):
        raise ValueError("no parameter set of any family reaches every observed date")
    return fitted


def fit_family(
    family: int,
    days: SeasonDays,
    observed: _Array,
    *,
    drawn: FittedSets | None = None,
    late: bool = False,
) -> FittedSets:
    """Find the best set of one family by a shrinking random search from several restarts.

    Parameters
    ----------
    family
        Position in `FAMILIES`.
    days, observed, late
        As for `fit_sets`.
    drawn
        Sets of the family to start from; drawn anew where they are not given.

    Returns
    -------
    FittedSets
        One set; none where no set of the family reaches the observed dates.
    """
    table = load_table("models.season", "families.toml")
    rng = np.random.default_rng([int(table.number("seed")), family])
    if drawn is None:
        drawn = _solved(_draw(family, int(table.number("draws")), rng, late=late), days, observed)
    restarts, trials = int(table.number("restarts")), int(table.number("trials"))
    front = drawn.taken(np.argsort(drawn.loss, kind="stable")[:restarts])
    steps = table["steps"].value
    assert isinstance(steps, list)
    for step in steps:
        if not len(front.sets):
            return front
        around = ParameterSets(np.repeat(front.sets.values, trials, axis=0))
        tried = _solved(_moved(around, float(step), rng, late=late), days, observed)
        both = _joined([front, tried])
        front = both.taken(np.argsort(both.loss, kind="stable")[:restarts])
    return front.taken(np.arange(min(1, len(front.sets))))


_SPRING = (THERMAL, SIGMOID, EXPONENTIAL, ALTERNATING, SEQUENTIAL, PHOTOTHERMAL)
_LATE = (THERMAL, SIGMOID, EXPONENTIAL, SHORT_DAY)


def _draw(family: int, count: int, rng: np.random.Generator, *, late: bool) -> ParameterSets:
    table = load_table("models.season", "families.toml")

    def between(name: str) -> _Array:
        return rng.uniform(*_bounds(name, family=family, late=late), count)

    own_rate = family in (THERMAL, SIGMOID, EXPONENTIAL)
    rate = np.full(count, family) if own_rate else rng.integers(0, 3, count)
    aside = between("photoperiod_aside")
    aside *= rng.random(count) < table.number("photoperiod_share")
    columns = {
        "family": np.full(count, family, dtype=float),
        "rate": rate.astype(float),
        "daytime_share": between("daytime_share"),
        "start": np.floor(between("start")) * (family != SEQUENTIAL),
        "base": between("base") * (rate == THERMAL),
        "slope": between("slope") * (rate == SIGMOID),
        "midpoint": between("midpoint") * (rate == SIGMOID),
        "exponent": between("exponent") * (rate == EXPONENTIAL),
        "photoperiod": between("photoperiod") if family in (PHOTOTHERMAL, SHORT_DAY) else aside,
        "chill_effect": between("chill_effect") * (family == ALTERNATING),
        "chill_need": between("chill_need") * (family == SEQUENTIAL),
    }
    return ParameterSets(np.zeros((count, len(FIELDS)))).replaced(**columns)


def _moved(
    sets: ParameterSets, step: float, rng: np.random.Generator, *, late: bool
) -> ParameterSets:
    """Move each parameter that a set uses by a random step, and keep it within its bounds."""
    columns, family = {}, int(sets.column("family")[0])
    for name in _SEARCHED:
        low, high = _bounds(name, family=family, late=late)
        column = sets.column(name)
        moved = np.clip(column + step * (high - low) * rng.standard_normal(len(sets)), low, high)
        columns[name] = np.where(column != 0, moved, column)
    columns["start"] = np.floor(columns["start"])
    return sets.replaced(**columns)


def _bounds(name: str, *, family: int, late: bool) -> tuple[float, float]:
    if name == "start" and late:
        name = "start_late"
    if name == "photoperiod" and family == SHORT_DAY:
        name = "photoperiod_short"
    limits = load_table("models.season", "families.toml")[name].value
    assert isinstance(limits, list)
    return float(limits[0]), float(limits[1])


def _solved(sets: ParameterSets, days: SeasonDays, observed: _Array) -> FittedSets:
    """Solve each set's requirement; sets that the observed seasons do not meet drop out."""
    chill = chill_days(days.tasmin, days.tasmax).mean(axis=0)
    sets = sets.replaced(mean_chill=chill[sets.column("start").astype(int)])
    reached, pace = development(sets, days, observed, near=_NEAR)
    begun = (reached > 0).mean(axis=1) >= 1.0 - _UNSTARTED_SHARE
    sets, reached, pace = ParameterSets(sets.values[begun]), reached[begun], pace[begun]
    logs = np.log(np.where(reached > 0, reached, np.nan))
    sets = sets.replaced(requirement=np.exp(np.nanmedian(logs, axis=1)))
    error = observed - flowering_days(sets, days)
    met = np.isnan(error).mean(axis=1) <= _UNMET_SHARE
    sets, error, pace = ParameterSets(sets.values[met]), error[met], pace[met]
    moved = np.nanmedian(error, axis=1) * np.median(pace, axis=1)
    sets = sets.replaced(requirement=sets.column("requirement") + moved)
    found = flowering_days(sets, days)
    met = (np.isnan(found).mean(axis=1) <= _UNMET_SHARE) & (sets.column("requirement") > 0)
    found = np.nan_to_num(found[met], nan=days.tasmin.shape[1] - 0.5)
    error = observed - found
    loss = np.abs(error - np.median(error, axis=1, keepdims=True)).mean(axis=1)
    return FittedSets(ParameterSets(sets.values[met]), found, loss)


def _sample(days: SeasonDays, observed: _Array, *, most: int) -> tuple[SeasonDays, _Array]:
    """Return evenly spaced observations, at most so many: enough to tell good sets from bad."""
    count = min(most, len(observed))
    chosen = np.round(np.linspace(0, len(observed) - 1, count)).astype(np.int64)
    return days.taken(chosen), observed[chosen]


def _joined(parts: list[FittedSets]) -> FittedSets:
    return FittedSets(
        ParameterSets(np.concatenate([p.sets.values for p in parts])),
        np.concatenate([p.days for p in parts]),
        np.concatenate([p.loss for p in parts]),
    )
