r"""Heat-sum family: trees and grasses whose season follows the warmth of spring.

.. math:: \dot H = \max(T - b, 0)

summed from a fixed start day; the sum drives the season as `models.season.fraction` says. What
counts as the warmth of a day is part of the published requirement, and is named in the table:
``mean`` (daily mean over a base), ``sine`` (single sine through the extremes) or ``maximum``
(daily maximum over a base).

Validity: the requirement is that of the region and method it was fitted with. Most onset sums in
the table are assumed, chosen so that Korean seasons come out at believable dates. Known failures:
chilling is left out, so after a very warm winter trees that need it are dated too early; several
kinds in one group (grasses) have several onsets, drawn here as one wide one.

References
----------
Sofiev M. et al. 2013. International Journal of Biometeorology 57:45-58.
Garcia-Mozo H. et al. 2000. Grana 39:194-199 (oak, single sine).
"""

from __future__ import annotations

from models import kernels
from models.allergens import Allergen
from models.season.driver import Driver
from models.season.years import SeasonError

_METHODS = {
    "mean": (kernels.HEAT_MEAN, ("tas",)),
    "sine": (kernels.HEAT_SINE, ("tasmax", "tasmin")),
    "maximum": (kernels.HEAT_MAXIMUM, ("tasmax",)),
}


def heat_driver(allergen: Allergen) -> Driver:
    """Return what warms a plant each day [degC d].

    Parameters
    ----------
    allergen
        One of the heat-sum family.

    Raises
    ------
    SeasonError
        If its ``heat_method`` is unknown.
    """
    method = allergen.text("heat_method")
    if method not in _METHODS:
        raise SeasonError(
            f"allergen {allergen.id!r} has the heat method {method!r}; allowed are "
            f"{', '.join(_METHODS)}"
        )
    code, reads = _METHODS[method]
    return Driver(reads=reads, heat=code, base=allergen.number("base"))
