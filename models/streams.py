"""Streams of random numbers: one a draw for what regions share, one a draw and region for the rest.

Each stream has a seed of its own, made of the forecast's seed, the draw's number and the region's
name. So its numbers are the same whatever the number of draws and whatever other regions there are,
and processes may take the draws apart as they like.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
_SHARED = 0


class DrawStreams:
    """The streams of one forecast.

    Parameters
    ----------
    seed
        Whole numbers that name the forecast (such as the settings' seed and the origin's ordinal).
    n_draws
        Number of draws.
    regions
        Ids of the regions, in the order of the arrays.

    Notes
    -----
    Streams are used up in the order of the calls, so the same calls in the same order give the same
    numbers (NumPy's SeedSequence and PCG64, the same on every platform).
    """

    def __init__(self, seed: Sequence[int], n_draws: int, regions: Sequence[str]) -> None:
        self.n_draws = n_draws
        self.n_regions = len(regions)
        names = [_number(region) for region in regions]
        self._shared = [_stream([*seed, draw, _SHARED]) for draw in range(n_draws)]
        self._own = [[_stream([*seed, draw, name]) for name in names] for draw in range(n_draws)]

    def shared(self, take: Callable[[np.random.Generator], Array]) -> Array:
        """Take from every draw's shared stream, shape ``(draw, ...)``."""
        return np.stack([take(stream) for stream in self._shared])

    def shared_normal(self, *shape: int) -> Array:
        """Take standard normal numbers shared by all regions, shape ``(draw, *shape)``."""
        return self.shared(lambda stream: stream.standard_normal(shape))

    def own(self, take: Callable[[np.random.Generator, int, int], NDArray[Any]]) -> NDArray[Any]:
        """Take from every draw's and region's own stream, shape ``(draw, region, ...)``.

        `take` gets the stream, the draw's and the region's position.
        """
        taken = np.stack(
            [
                take(stream, draw, region)
                for draw, streams in enumerate(self._own)
                for region, stream in enumerate(streams)
            ]
        )
        return taken.reshape(self.n_draws, self.n_regions, *taken.shape[1:])

    def own_uniform(self, *shape: int) -> Array:
        """Take numbers between 0 and 1 of each region's own, shape ``(draw, region, *shape)``."""
        taken = np.empty((self.n_draws, self.n_regions, *shape))
        for draw, streams in enumerate(self._own):
            for region, stream in enumerate(streams):
                stream.random(out=taken[draw, region, ...])
        return taken

    def own_counts(self, mean: Array, *, size: float) -> NDArray[np.int64]:
        """Draw negative-binomial counts around means ``(draw, region, week)``."""

        def take(stream: np.random.Generator, draw: int, region: int) -> NDArray[np.int64]:
            rate = mean[draw, region]
            if np.isfinite(size):
                rate = rate * stream.gamma(size, 1.0 / size, rate.shape)
            return np.asarray(stream.poisson(rate))

        return self.own(take)


def _stream(seed: Sequence[int]) -> np.random.Generator:
    return np.random.Generator(np.random.PCG64(np.random.SeedSequence(list(seed))))


def _number(region: str) -> int:
    # names, not positions: a region keeps its stream when another one is added before it
    return 1 + int.from_bytes(hashlib.sha256(region.encode()).digest()[:6])
