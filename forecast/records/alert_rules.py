"""Rules of alerts with their history, and how a region was last looked at.

The newest rule of a region counts.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Literal

from sqlalchemy import Connection, func, select

from forecast.records import tables
from forecast.records.engine import Records

_JUST_AFTER = timedelta(microseconds=1)


@dataclass(frozen=True)
class AlertRule:
    """When a region is spoken of; the newest of a region counts.

    Attributes
    ----------
    cost, loss
        What an alert costs the practice, and what a high week costs it that nobody was warned of,
        in one unit of its own; only their ratio counts.
    off_share
        Odds below which the region counts as quiet again, as a share of those above which it
        counts as high [1].
    shortest_lead, longest_lead
        Days between an alert and the Monday of the week that it is about.
    gap
        Least days between two alerts of the region.
    kinds
        What it speaks of.
    budget
        Most alerts an owner gets a year, over all kinds, regions and pets.
    without_skill
        ``hold``: without a forecast that is known to be better than climatology nothing is sent.
    simulation
        What it would have done in past seasons, as was shown before it was switched on.
    """

    id: str
    region_id: str
    made_at: datetime
    made_by: str
    is_on: bool
    cost: float
    loss: float
    off_share: float
    shortest_lead: int
    longest_lead: int
    gap: int
    kinds: tuple[str, ...]
    budget: int
    without_skill: Literal["hold", "send"]
    simulation: Mapping[str, Any] | None = None

    @property
    def on_odds(self) -> float:
        """Odds of a high week from which on an alert is worth its cost: the cost/loss ratio."""
        return self.cost / self.loss

    @property
    def off_odds(self) -> float:
        """Odds below which a region that counted as high is quiet again."""
        return self.on_odds * self.off_share


@dataclass(frozen=True)
class LookedAt:
    """How the last look at a region ended, and whether it counts as high since it was spoken of."""

    region_id: str
    issue_id: str
    looked_at: datetime
    is_on: bool
    why: str


def add_rule(connection: Connection, rule: AlertRule) -> None:
    """Put a rule in force from now on; earlier ones stay as history.

    One of the same moment as the one before, or of a clock set back, is put just after it.
    """
    table = tables.alert_rule
    newest = select(func.max(table.c.made_at)).where(table.c.region_id == rule.region_id)
    last = connection.scalar(newest)
    values = vars(rule) | {"kinds": list(rule.kinds)}
    if last is not None and last >= rule.made_at:
        values["made_at"] = last + _JUST_AFTER
    connection.execute(table.insert(), values)


def rule_history(records: Records, region_id: str) -> list[AlertRule]:
    """Return every rule a region has had, the newest first."""
    table = tables.alert_rule
    query = select(table).where(table.c.region_id == region_id)
    with records.reading() as connection:
        rows = connection.execute(query.order_by(table.c.made_at.desc(), table.c.id.desc()))
        return [_rule(row._mapping) for row in rows]


def rules_in_force(records: Records) -> dict[str, AlertRule]:
    """Return the newest rule of every region that has one, also where it is switched off."""
    table = tables.alert_rule
    with records.reading() as connection:
        rows = connection.execute(select(table).order_by(table.c.made_at, table.c.id))
        return {row.region_id: _rule(row._mapping) for row in rows}


def rule(records: Records, rule_id: str) -> AlertRule:
    """Return a rule by its id, in force or not."""
    table = tables.alert_rule
    with records.reading() as connection:
        row = connection.execute(select(table).where(table.c.id == rule_id)).one()
    return _rule(row._mapping)


def _rule(row: Mapping[Any, Any]) -> AlertRule:
    return AlertRule(**{**row, "kinds": tuple(row["kinds"])})


# ------------------------------------------------------------------------------ looks
def keep_look(connection: Connection, look: LookedAt) -> None:
    """Keep how a look at a region ended, in the place of the one before."""
    table = tables.alert_standing
    connection.execute(table.delete().where(table.c.region_id == look.region_id))
    connection.execute(table.insert(), vars(look))


def last_looks(records: Records) -> dict[str, LookedAt]:
    """Return how the last look at every region ended."""
    with records.reading() as connection:
        rows = connection.execute(select(tables.alert_standing))
        return {row.region_id: LookedAt(**row._mapping) for row in rows}
