"""Short gaps in daily series: which are filled, and which stay unknown."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

_Array = NDArray[np.float64]


def fill_short_gaps(values: _Array, *, longest: int) -> _Array:
    """Interpolate gaps of a few days between known neighbours.

    Parameters
    ----------
    values
        Daily values, time last; NaN where not known.
    longest
        Longest gap that is filled [d].

    Returns
    -------
    numpy.ndarray
        Copy with short gaps filled linearly. Longer gaps, and gaps at either end, stay NaN. Where
        nothing is missing the input itself is returned.
    """
    missing = np.isnan(values)
    if not missing.any():
        return values
    before, after = _nearest_known(missing)
    n_days = values.shape[-1]
    fillable = missing & (before >= 0) & (after < n_days) & (after - before - 1 <= longest)
    left = np.take_along_axis(values, np.maximum(before, 0), -1)
    right = np.take_along_axis(values, np.minimum(after, n_days - 1), -1)
    place = (np.arange(n_days) - before) / np.maximum(after - before, 1)
    return np.where(fillable, left + place * (right - left), values)


def _nearest_known(missing: NDArray[np.bool_]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return the index of the last known day up to each day, and of the next from each day."""
    day = np.broadcast_to(np.arange(missing.shape[-1]), missing.shape)
    before = np.maximum.accumulate(np.where(missing, -1, day), axis=-1)
    later = np.where(missing, missing.shape[-1], day)[..., ::-1]
    after = np.minimum.accumulate(later, axis=-1)[..., ::-1]
    return before, after
