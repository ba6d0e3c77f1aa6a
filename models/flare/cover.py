r"""Cover: from the visits a practice saw to the pressure there would have been.

A dog whose therapy works does not come with a flare. With a share *c* of a region's allergic dogs
under cover that prevents a share *e* of flares,

.. math:: \text{visits} = \text{pressure} \times (1 - e\,c).

*e* is a prior with a wide spread (no trial reports flares prevented), never estimated from the
visits themselves: better-covered weeks are also the worse weeks. Where the covered share is not
known nothing is corrected, and pressure is then only as high as the visits seen.
"""

from __future__ import annotations

import numpy as np
import xarray as xr
from numpy.typing import NDArray
from scipy import stats

from models.parameters import load_table
from models.streams import DrawStreams


def efficacy_mean() -> float:
    """Return the prior mean of the share of flares that cover prevents."""
    return load_table("models.flare", "flare.toml").number("cover.efficacy_mean")


def efficacy_range() -> tuple[float, float, float]:
    """Return a low, the mean and a high share of flares that cover prevents (10 and 90 %)."""
    low, high = stats.beta(*_prior()).ppf([0.1, 0.9])
    return float(low), efficacy_mean(), float(high)


def _prior() -> tuple[float, float]:
    table = load_table("models.flare", "flare.toml")
    mean, sd = table.number("cover.efficacy_mean"), table.number("cover.efficacy_sd")
    concentration = mean * (1.0 - mean) / sd**2 - 1.0
    return mean * concentration, (1.0 - mean) * concentration


def efficacy_draws(streams: DrawStreams, *, fixed: float | None = None) -> NDArray[np.float64]:
    """Draw the share of flares that cover prevents from its beta prior, shape ``(draw,)``.

    A `fixed` share takes the draws' place and uses up as much chance.
    """
    a, b = _prior()
    drawn = streams.shared(lambda stream: stream.beta(a, b, 1))[:, 0]
    return drawn if fixed is None else np.full_like(drawn, fixed)


def visible_share(covered_share: xr.DataArray, efficacy: float | None = None) -> xr.DataArray:
    """Return the share of the pressure that shows up as visits; one where cover is not known.

    `efficacy` is the prior's mean unless given.
    """
    prevented = efficacy_mean() if efficacy is None else efficacy
    return 1.0 - prevented * covered_share.fillna(0.0)


def thin(
    pressure: NDArray[np.int64],
    covered_share: NDArray[np.float64],
    *,
    streams: DrawStreams,
    efficacy: float | None = None,
) -> NDArray[np.int64]:
    """Draw the visits that remain of a pressure under cover.

    Parameters
    ----------
    pressure
        Flares if no dog were covered, dims ``(draw, region, week)``.
    covered_share
        Share of dogs under cover, dims ``(region, week)``; NaN (not known) thins nothing.
    streams
        Random numbers; each draw has one efficacy for all regions and weeks.
    efficacy
        The same for all draws; drawn from the prior unless given.
    """
    drawn = efficacy_draws(streams, fixed=efficacy)
    share = np.nan_to_num(covered_share, nan=0.0)

    def take(stream: np.random.Generator, draw: int, region: int) -> NDArray[np.int64]:
        seen = np.clip(1.0 - drawn[draw] * share[region], 0.0, 1.0)
        return np.asarray(stream.binomial(pressure[draw, region], seen))

    return streams.own(take)
