r"""From development to the fraction of a season that has been released.

Both families of plants keep one running sum :math:`H` (heat, or photoperiodic development). The
season is switched on around the onset sum :math:`S` and off around :math:`S + L`, not at a stroke,
because plants of a region are not all alike: the rate of release is

.. math::
    r \propto \dot H \; F_{in}(H) \; F_{out}(H)

with :math:`F_{in}` rising linearly from 0 to 1 between :math:`(1 - d_{in}) S` and
:math:`(1 + d_{in}) S`, and :math:`F_{out}` falling from 1 to 0 between :math:`S + (1 - d_{out}) L`
and :math:`S + (1 + d_{out}) L`.

Since :math:`\dot H\,dt = dH`, the released fraction depends on :math:`H` alone,

.. math::
    G(H) = \int_0^H F_{in} F_{out}\,dh \Big/ \int_0^\infty F_{in} F_{out}\,dh ,

and the rate of a day is the difference of :math:`G` over the day. It therefore sums to exactly one
over a complete season, whatever the weather, also when a warm day jumps over a threshold.

The form of the fuzzy thresholds is from memory, their widths for birch as commonly implemented.

References
----------
Sofiev M. et al. 2013. A numerical model of birch pollen emission and dispersion in the atmosphere.
International Journal of Biometeorology 57:45-58.
Linkosalo T. et al. 2010. A double-threshold temperature sum model. Agricultural and Forest
Meteorology 150:1579-1584.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.allergens import Allergen
from models.kernels import released_fractions
from models.season.years import SeasonError

_Array = NDArray[np.float64]


@dataclass(frozen=True)
class FuzzySeason:
    """Thresholds of a season on the sum that drives it.

    Attributes
    ----------
    onset
        Sum at which half of the plants have started, in the unit of the sum.
    length
        Sum from there until half of them have ended.
    fuzziness_in, fuzziness_out
        Half-width of the start as a share of `onset`, and of the end as a share of `length` [1].
    """

    onset: float
    length: float
    fuzziness_in: float
    fuzziness_out: float

    def __post_init__(self) -> None:
        sizes = (self.onset, self.length, self.fuzziness_in, self.fuzziness_out)
        if min(sizes) <= 0 or max(self.fuzziness_in, self.fuzziness_out) > 1:
            raise SeasonError(
                "a season needs onset and length above 0 and both fuzzinesses above 0 and up to 1; "
                f"got onset {self.onset:g}, length {self.length:g}, fuzziness "
                f"{self.fuzziness_in:g} and {self.fuzziness_out:g}"
            )

    @property
    def last(self) -> float:
        """Sum at which the season is over."""
        return self.onset + (1.0 + self.fuzziness_out) * self.length

    def rate_share(self, total: _Array) -> _Array:
        """Return F_in times F_out at a running sum [1]."""
        rising = 0.5 + (total / self.onset - 1.0) / (2.0 * self.fuzziness_in)
        past = (total - self.onset) / self.length
        falling = 0.5 - (past - 1.0) / (2.0 * self.fuzziness_out)
        return np.asarray(np.clip(rising, 0.0, 1.0) * np.clip(falling, 0.0, 1.0))

    def pieces(self) -> tuple[_Array, _Array]:
        """Return the released fraction as cubics between the ends of the two thresholds.

        Returns
        -------
        ends
            Sums at which one piece ends and the next begins, four, rising.
        cubics
            For each piece the polynomial of the share of the piece that is passed, constant
            first, dims (piece, power) [1].

        Notes
        -----
        Between those ends F_in F_out is a parabola at most, given by its values at both ends and
        in the middle; its integral is exact.
        """
        fade_in = self.fuzziness_in * self.onset
        fade_out = self.fuzziness_out * self.length
        stops = (self.onset + self.length - fade_out, self.last)
        ends = np.clip(
            np.sort([self.onset - fade_in, self.onset + fade_in, *stops]), None, self.last
        )
        width = np.diff(ends)
        left, middle, right = (
            self.rate_share(ends[:-1] + share * width) for share in (0.0, 0.5, 1.0)
        )
        slope, bend = -3.0 * left + 4.0 * middle - right, 2.0 * left - 4.0 * middle + 2.0 * right
        parts = width[:, None] * np.stack([left, slope / 2.0, bend / 3.0], axis=1)
        before = np.concatenate([[0.0], np.cumsum(parts.sum(axis=1))])
        return ends, np.column_stack([before[:-1], parts]) / before[-1]

    def released(self, total: _Array) -> _Array:
        """Return the fraction of the season released at a running sum, 0 to 1 [1]."""
        return released_fractions(np.asarray(total, dtype=float), *self.pieces())


def fuzzy_season(allergen: Allergen) -> FuzzySeason:
    """Return the thresholds of an allergen of the heat-sum or day-length family."""
    names = ("onset_sum", "season_length", "fuzziness_in", "fuzziness_out")
    return FuzzySeason(*(allergen.number(name) for name in names))
