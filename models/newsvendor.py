r"""How much to have ready when the demand is not known: the newsvendor's quantile.

Hours of staff, doses in the fridge or free slots are set before the demand is known. Having one too
few costs :math:`C_u`, one too many :math:`C_o`. The least expected cost is had at the quantile of
the demand at the *critical ratio*

.. math:: F(q) \ge \frac{C_u}{C_u + C_o},

for whole units the smallest :math:`q` that reaches it. Costs are the practice's own.

Validity: one decision, one demand, costs in proportion to the shortfall or surplus. What is left
over and kept for the next week costs less than one thrown away: state the cost of keeping it.

References
----------
Cachon G., Terwiesch C. 2013. Matching Supply with Demand, 3rd edition, chapter on newsvendor
decisions.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from models.errors import ForepawError

_Array = NDArray[np.float64]
_Quantity = TypeVar("_Quantity")


class NewsvendorError(ForepawError):
    """Costs or a demand from which no quantity can be worked out."""


def critical_ratio(*, shortage_cost: float, surplus_cost: float) -> float:
    """Return the probability with which the demand should be met.

    Parameters
    ----------
    shortage_cost, surplus_cost
        Cost of a unit too few and of a unit too many, both above zero, in one currency.

    Returns
    -------
    float
        Between 0 and 1 [1].

    Raises
    ------
    NewsvendorError
        If a cost is not above zero.
    """
    for name, cost in (("shortage", shortage_cost), ("surplus", surplus_cost)):
        if not 0.0 < cost < np.inf:
            raise NewsvendorError(
                f"the {name} cost of a unit must be a number above zero, got {cost:g}"
            )
    return shortage_cost / (shortage_cost + surplus_cost)


def order_quantity(
    quantile: Callable[[float], _Quantity], *, shortage_cost: float, surplus_cost: float
) -> _Quantity:
    """Return the quantity of least expected cost: the demand's quantile at the critical ratio.

    Parameters
    ----------
    quantile
        Quantile function of the demand: of a probability the demand, or an array of demands such
        as one a week. For counts the smallest count that reaches the probability, as
        `models.negative_binomial.quantile` and scipy's ``ppf`` give it.
    shortage_cost, surplus_cost
        As for `critical_ratio`.

    Returns
    -------
    float or array
        What `quantile` gives, in the unit of the demand.

    Raises
    ------
    NewsvendorError
        If a cost is not above zero.
    """
    return quantile(critical_ratio(shortage_cost=shortage_cost, surplus_cost=surplus_cost))


def order_quantity_from_draws(
    draws: _Array, *, shortage_cost: float, surplus_cost: float
) -> NDArray[np.float64]:
    """Return the quantity of least expected cost from draws of the demand.

    Parameters
    ----------
    draws
        Demand, draws first, any further dims; equally likely.
    shortage_cost, surplus_cost
        As for `critical_ratio`.

    Returns
    -------
    numpy.ndarray
        The smallest draw whose share of draws at or below it reaches the critical ratio, on the
        further dims. NaN where a draw is NaN.

    Raises
    ------
    NewsvendorError
        If there are no draws, or a cost is not above zero.
    """
    if not len(draws):
        raise NewsvendorError("a quantity was asked from draws of the demand, there are none")
    return order_quantity(
        lambda level: np.asarray(np.quantile(draws, level, axis=0, method="inverted_cdf")),
        shortage_cost=shortage_cost,
        surplus_cost=surplus_cost,
    )


def expected_cost(
    quantity: float,
    demand: _Array,
    *,
    shortage_cost: float,
    surplus_cost: float,
    probability: _Array | None = None,
) -> float:
    """Return the expected cost of having a quantity ready.

    Parameters
    ----------
    quantity
        What is ready.
    demand
        Possible demands, in the unit of the quantity.
    shortage_cost, surplus_cost
        As for `critical_ratio`.
    probability
        Of each demand, adding up to one [1]; None where they are equally likely, as draws are.

    Returns
    -------
    float
        Cost, in the currency of the two costs.

    Raises
    ------
    NewsvendorError
        If a cost is not above zero, or the probabilities do not add up to one.
    """
    critical_ratio(shortage_cost=shortage_cost, surplus_cost=surplus_cost)
    if probability is None:
        probability = np.full(len(demand), 1.0 / max(len(demand), 1))
    if not np.isclose(probability.sum(), 1.0, atol=1e-6):
        raise NewsvendorError(
            "the probabilities of the demands must add up to one, "
            f"they add up to {probability.sum():g}"
        )
    short = np.maximum(demand - quantity, 0.0)
    left = np.maximum(quantity - demand, 0.0)
    return float(probability @ (shortage_cost * short + surplus_cost * left))
