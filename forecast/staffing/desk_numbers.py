"""The desk's numbers: minutes that visits take, and prices, with the house's where it says none.

What the desk does not say comes from ``staffing.toml``, and is marked so.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache

from models.errors import ForepawError
from models.parameters import ParameterTable, load_table

ROLES = ("vet", "technician", "desk")
FLARE, RECHECK, DOSE, OTHER, PHONE = (
    "flare visit",
    "recheck",
    "planned dose",
    "other consultation",
    "phone call",
)
KINDS = (FLARE, RECHECK, DOSE, OTHER, PHONE)
FROM_DESK, FROM_VISITS, FROM_TABLE = "desk", "visits", "table"


class StaffingError(ForepawError):
    """Staff, hours, prices or stock from which nothing can be planned."""


@cache
def table() -> ParameterTable:
    """Return the desk's table of numbers."""
    return load_table("forecast.staffing", "staffing.toml")


@dataclass(frozen=True)
class Minutes:
    """Minutes that one visit of a kind takes of a role, at one branch or (None) at all.

    `source` is desk, visits or table: entered, learned, or the house's default; `n_visits` on how
    many lengths of visits a learned one rests.
    """

    kind: str
    role: str
    number: float
    branch: str | None = None
    source: str = FROM_TABLE
    n_visits: int = 0


@dataclass(frozen=True)
class Prices:
    """The practice's own costs, in one currency.

    Attributes
    ----------
    currency
        As shown; no rate is applied.
    wage_hour, overtime_hour, locum_hour
        By role: an hour of the contract, over it, and of a locum.
    idle_hour
        By role: what an hour held open and not needed costs; the wage, where nothing says less.
    turned_away
        By kind of visit: what is lost with a visit that goes elsewhere.
    waiting_week
        A visit that waits a week.
    away_shift
        A shift away from the home branch.
    from_table
        Names of those that the desk did not say, such as ``locum_hour vet``.
    """

    currency: str
    wage_hour: Mapping[str, float]
    overtime_hour: Mapping[str, float]
    locum_hour: Mapping[str, float]
    idle_hour: Mapping[str, float]
    turned_away: Mapping[str, float]
    waiting_week: float
    away_shift: float
    from_table: tuple[str, ...] = ()


def slug(kind: str) -> str:
    """Return how a kind of visit is written in the table: words joined by underscores."""
    return kind.replace(" ", "_")


def default_minutes() -> tuple[Minutes, ...]:
    """Return the minutes of the house's table."""
    return tuple(
        Minutes(kind, role, table().number(f"minutes.{slug(kind)}.{role}"))
        for kind in KINDS
        for role in ROLES
    )


def default_prices() -> Prices:
    """Return the prices of the house's table, all marked as such."""

    def by(name: str, keys: tuple[str, ...]) -> dict[str, float]:
        return {key: table().number(f"price.{name}.{slug(key)}") for key in keys}

    return Prices(
        currency=str(table()["price.currency"].value),
        wage_hour=by("wage_hour", ROLES),
        overtime_hour=by("overtime_hour", ROLES),
        locum_hour=by("locum_hour", ROLES),
        idle_hour=by("idle_hour", ROLES),
        turned_away=by("turned_away", KINDS),
        waiting_week=table().number("price.waiting_week"),
        away_shift=table().number("price.away_shift"),
        from_table=price_names(),
    )


def price_names() -> tuple[str, ...]:
    """Return the names of all prices, such as ``locum_hour vet`` and ``waiting_week``."""
    by_role = [
        f"{name} {role}"
        for name in ("wage_hour", "overtime_hour", "locum_hour", "idle_hour")
        for role in ROLES
    ]
    return (*by_role, *(f"turned_away {kind}" for kind in KINDS), "waiting_week", "away_shift")


def prices_from(told: Mapping[str, float], *, currency: str | None = None) -> Prices:
    """Return the prices that the desk says, by `price_names`, the table's for the others.

    Raises
    ------
    StaffingError
        At a name that is no price, or a price below zero.
    """
    names, usual = price_names(), default_prices()
    for name, number in told.items():
        if name not in names:
            raise StaffingError(f"{name!r} is no price; allowed are {', '.join(names)}")
        if not number >= 0.0:
            raise StaffingError(f"the price {name} is {number:g}; allowed is 0 or more")

    def by(name: str, held: Mapping[str, float]) -> dict[str, float]:
        return {key: told.get(f"{name} {key}", number) for key, number in held.items()}

    return Prices(
        currency=usual.currency if currency is None else currency,
        wage_hour=by("wage_hour", usual.wage_hour),
        overtime_hour=by("overtime_hour", usual.overtime_hour),
        locum_hour=by("locum_hour", usual.locum_hour),
        idle_hour=by("idle_hour", usual.idle_hour),
        turned_away=by("turned_away", usual.turned_away),
        waiting_week=told.get("waiting_week", usual.waiting_week),
        away_shift=told.get("away_shift", usual.away_shift),
        from_table=tuple(name for name in names if name not in told),
    )
