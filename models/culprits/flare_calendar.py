r"""Flare calendar: whether a dog's flares keep to a part of the year, or come all year round.

Circular statistics. A flare on day :math:`d` of the year is put at the angle :math:`\theta = 2 \pi
G(d)`, with *G* the share of the dog's days at risk that lie before it in the year (of all days,
where these are not given): a dog that is covered every summer must not pass for one that flares in
winter. With :math:`\bar R_m = |\sum_j e^{i m \theta_j}| / n`, m = 1 for one season a year and m = 2
for two that lie opposite,

* *seasonal*: flares spread evenly would give a length this large with a probability (Rayleigh's,
  with Wilkie's correction) below half the level, for m = 1 or m = 2;
* *perennial*: flares as seasonal as the table's length asks (von Mises) would give one this small
  with a probability below the level, for m = 1 and m = 2. A reason to look again at food, mites
  and fleas;
* *cannot be told* otherwise, with too few flares, or with too little of the year at risk.

Validity: episodes of one dog taken as independent. Known failures: three seasons a year; a season
of more than half a year reads as neither.

References
----------
Mardia K.V. & Jupp P.E. 2000, Directional Statistics, sections 6.3.1 and 4.8. Wilkie D. 1983, Appl
Stat 32:311-312 (p value of Rayleigh's test).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.special import ive
from scipy.stats import norm

from models.flare.attribution import NOT_TOLD
from models.parameters import load_table

Floats = NDArray[np.float64]
SEASONAL, PERENNIAL = "seasonal", "perennial"
LOOK_AGAIN = "flares all year round: look again at food, mites and fleas"
DAYS_IN_LEAP_YEAR = 366
_NODES = 401  # of the integral over the cosine part
_WIDTH = 8.0  # standard deviations it reaches


@dataclass(frozen=True)
class FlareCalendar:
    """Flares by day of the year.

    Attributes
    ----------
    verdict
        ``seasonal``, ``perennial`` or ``cannot be told``.
    flares
        How many it rests on.
    length
        Mean resultant lengths for one and for two seasons a year, 0 (spread evenly) to 1.
    p_seasonal, p_perennial
        Probability of lengths so large if spread evenly, of lengths so small if seasonal.
    share_of_year
        Share of the days of the year with any day at risk.
    """

    verdict: str
    flares: int
    length: tuple[float, float]
    p_seasonal: float
    p_perennial: float
    share_of_year: float

    @property
    def reason(self) -> str:
        """What a perennial pattern is a reason for; empty otherwise."""
        return LOOK_AGAIN if self.verdict == PERENNIAL else ""


def flare_calendar(
    flares: NDArray[np.datetime64], *, at_risk: NDArray[Any] | None = None
) -> FlareCalendar:
    """Tell whether flares keep to a part of the year.

    Parameters
    ----------
    flares
        Days of flare visits, first of their episodes, on days at risk.
    at_risk
        Days at risk by day of the year, shape ``(366,)``; every day alike unless given.
    """
    table = load_table("models.culprits", "culprits.toml")
    risk = np.ones(DAYS_IN_LEAP_YEAR) if at_risk is None else np.asarray(at_risk, dtype=float)
    share = float(np.mean(risk > 0))
    lengths, p_seasonal, p_perennial = (float("nan"), float("nan")), float("nan"), float("nan")
    n = len(flares)
    enough = share >= table.number("flare_calendar.least_share_of_year")
    if n < table.number("flare_calendar.least_flares") or not enough:
        return FlareCalendar(NOT_TOLD, n, lengths, p_seasonal, p_perennial, share)
    angle = 2.0 * np.pi * _place_in_year(flares, risk)
    one, two = (float(np.abs(np.exp(1j * m * angle).mean())) for m in (1, 2))
    p_seasonal = min(1.0, 2.0 * min(rayleigh_p(one, n), rayleigh_p(two, n)))
    asked = table.number("flare_calendar.seasonal_length")
    p_perennial = max(shorter_p(one, n, length=asked), shorter_p(two, n, length=asked))
    level = table.number("flare_calendar.level")
    seasonal, perennial = p_seasonal <= level, p_perennial <= level
    verdict = SEASONAL if seasonal else PERENNIAL if perennial else NOT_TOLD
    return FlareCalendar(verdict, n, (one, two), p_seasonal, p_perennial, share)


def place_of_day(days: pd.DatetimeIndex) -> NDArray[np.int64]:
    """Return the place of each day in a year of 366, so that a date has the same every year."""
    after = ~days.is_leap_year & (days.month > 2)
    number: NDArray[np.int64] = days.day_of_year.to_numpy() - 1 + after.astype(np.int64)
    return number.astype(np.int64)


def _place_in_year(flares: NDArray[np.datetime64], risk: Floats) -> Floats:
    """Return the share of days at risk before the middle of each flare's day of the year."""
    number = place_of_day(pd.DatetimeIndex(flares))
    before = np.cumsum(risk) - risk
    return np.asarray((before[number] + risk[number] / 2.0) / risk.sum())


def rayleigh_p(length: float, n: int) -> float:
    r"""Return the probability of a mean resultant length so large under a uniform distribution.

    :math:`p = \exp(\sqrt{1 + 4 n + 4 (n^2 - R^2)} - (1 + 2 n))` with :math:`R = n \bar R` (Wilkie
    1983).
    """
    resultant = n * length
    return float(np.exp(np.sqrt(1 + 4 * n + 4 * (n**2 - resultant**2)) - (1 + 2 * n)))


def shorter_p(seen: float, n: int, *, length: float) -> float:
    r"""Return the probability of a mean resultant length so small under a von Mises distribution.

    Normal approximation of the mean cosine and sine about the mean direction, with variances
    :math:`(1 + \alpha_2 - 2 \rho^2) / 2n` and :math:`(1 - \alpha_2) / 2n`, where :math:`\rho` is
    the distribution's own `length` and :math:`\alpha_2 = 1 - 2 \rho / \kappa` (Mardia & Jupp 2000,
    sections 3.5.4 and 4.8).
    """
    kappa = brentq(lambda k: ive(1, k) / ive(0, k) - length, 1e-6, 1e4)
    second = 1.0 - 2.0 * length / kappa
    along = np.sqrt((1.0 + second - 2.0 * length**2) / (2 * n))
    across = np.sqrt((1.0 - second) / (2 * n))
    cosine = np.linspace(length - _WIDTH * along, length + _WIDTH * along, _NODES)
    room = np.sqrt(np.clip(seen**2 - cosine**2, 0.0, None))
    within = np.where(np.abs(cosine) < seen, 2.0 * norm.cdf(room / across) - 1.0, 0.0)
    return float(np.trapezoid(within * norm.pdf(cosine, length, along), cosine))
