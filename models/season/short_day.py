r"""Day-length family: weeds that flower as the days grow short.

Development towards flowering goes on with warmth, as far as the day is short enough:

.. math::
    \dot H &= R(T) \, P(L) \\
    R(T) &= \min\{1, \max[0, (T - T_b) / (T_o - T_b)]\} \\
    P(L) &= \min\{1, \max[0, (L_c - L) / (L_c - L_o)]\}

summed from the longest day on (half a year later in the south); a day of full warmth and short
light adds one *development day*. :math:`T_b, T_o` bound the warmth used, :math:`L_o` is the longest
day that does not slow the plant, at :math:`L_c` it stands still. Day length is from sunrise to
sunset as in almanacs (`models.daylength`). The sum drives the season as `models.season.fraction`
says.

Validity: ragweed's temperature range and its optimal day length are published; the linear shapes,
the critical day length and all sums are assumed. Because the day's length is the clock, years
differ little. Known failures: local races keep their own clock, so that one set of numbers dates a
weed of another latitude weeks wrong (European mugwort flowers in July and August under days that
stop this one); frost is not modelled, the window ends the season.

References
----------
Deen W., Hunt T., Swanton C.J. 1998. Influence of temperature, photoperiod, and irradiance on the
phenological development of common ragweed. Weed Science 46:555-560.
"""

from __future__ import annotations

from models import kernels
from models.allergens import Allergen
from models.season.driver import Driver


def short_day_driver(allergen: Allergen) -> Driver:
    """Return what develops a short-day weed each day, 0 to 1 development days.

    Parameters
    ----------
    allergen
        One of the day-length family.
    """
    return Driver(
        reads=("tas", "daylight"),
        heat=kernels.DEVELOPMENT,
        base=allergen.number("base"),
        optimum=allergen.number("optimum"),
        critical_day=allergen.number("critical_day"),
        optimal_day=allergen.number("optimal_day"),
    )
