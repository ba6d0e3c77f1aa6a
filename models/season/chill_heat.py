r"""Chill-then-heat family: trees that flower at winter's end, cold first, then warmth.

The tree rests until it has had enough cold; only then does warmth count:

.. math::
    C_d &= \max(0,\; C_{d-1} + c_d), \qquad \dot H_d = h_d \text{ once } C \ge C^*
    \text{ on an earlier day}, \text{ else } 0

with :math:`c` the day's chilling and :math:`h` its warmth. The sum :math:`H` drives the season as
`models.season.fraction` says. The sum of chilling cannot fall below zero, so that a warm October
(negative Utah units) does not weigh on the winter after it.

What chills and what warms is part of a published requirement and named in the table. Chilling:
``hours below`` a threshold or ``Utah units``, both along a sine through the daily extremes
(`models.chill`). Warmth: as in `models.season.heat_sum`, or ``hours``, degree hours along the sine
(24 times the degree days).

Published requirements are those of one place, and trees of milder places ask for less cold (alder:
985 h below -0.25 degC in Poznan, 460 chilling hours in Vigo). Taken word for word elsewhere they
would leave a mild coast without any season. Therefore warmth counts from ``chill_days`` after the
start of the window at the latest, however little cold there was; that day is assumed.

Validity: the winters and places a requirement was fitted in. Known failures: two stages fitted on a
dozen dates are unstable (cypress in Ponferrada: 11, 0 and 43 days off in three test years);
chilling and warmth may work side by side in the tree; a frost late in the season stops nothing
here.

References
----------
Rodriguez-Rajo F.J. et al. 2009. Annals of Agricultural and Environmental Medicine 16:277-284
(alder). Frenguelli G. et al. 1992. Aerobiologia 8:415-418 (hazel). Fuertes-Rodriguez C.R. et al.
2007. Annals of Agricultural and Environmental Medicine 14:237-242 (cypress type).
"""

from __future__ import annotations

from dataclasses import replace

from models import kernels
from models.allergens import Allergen
from models.season.driver import Driver
from models.season.heat_sum import heat_driver
from models.season.years import SeasonError

_EXTREMES = ("tasmax", "tasmin")
_CHILL_METHODS = {
    "hours below": kernels.CHILL_HOURS_BELOW,
    "Utah units": kernels.CHILL_UTAH,
}


def chill_heat_driver(allergen: Allergen) -> Driver:
    """Return what chills a tree, how much of it is asked, and what warms it then.

    Parameters
    ----------
    allergen
        One of the chill-then-heat family.

    Returns
    -------
    Driver
        Chilling in hours or Utah units, warmth in degree days or degree hours.

    Raises
    ------
    SeasonError
        If a method is unknown.
    """
    method = allergen.text("chill_method")
    if method not in _CHILL_METHODS:
        raise SeasonError(
            f"allergen {allergen.id!r} has the chill method {method!r}; allowed are "
            f"{', '.join(_CHILL_METHODS)}"
        )
    if allergen.text("heat_method") == "hours":
        warmth = Driver(reads=_EXTREMES, heat=kernels.HEAT_HOURS, base=allergen.number("base"))
    else:
        warmth = heat_driver(allergen)
    below = method == "hours below"
    return replace(
        warmth,
        reads=tuple(dict.fromkeys((*warmth.reads, *_EXTREMES))),
        chill=_CHILL_METHODS[method],
        chill_threshold=allergen.number("chill_threshold") if below else 0.0,
        chill_sum=allergen.number("chill_sum"),
        chill_days=int(allergen.number("chill_days")),
    )
