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
from models.season.years import SeasonError

_Array = NDArray[np.float64]

_STEPS = 2000  # support points of the integral; the error is below 1e-6


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

    def released(self, total: _Array) -> _Array:
        """Return the fraction of the season released at a running sum, 0 to 1 [1]."""
        support = np.linspace((1.0 - self.fuzziness_in) * self.onset, self.last, _STEPS)
        share = self.rate_share(support)
        integral = np.concatenate([[0.0], np.cumsum(share[1:] + share[:-1])])
        return np.asarray(np.interp(total, support, integral / integral[-1]))


def fuzzy_season(allergen: Allergen) -> FuzzySeason:
    """Return the thresholds of an allergen of the heat-sum or day-length family."""
    names = ("onset_sum", "season_length", "fuzziness_in", "fuzziness_out")
    return FuzzySeason(*(allergen.number(name) for name in names))
