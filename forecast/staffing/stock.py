"""What to order by which date, so that it does not run out in more futures than allowed.

Each draw uses up what is on hand, what expires first first. Where an item would run out in more
futures than its service level allows before the week is over, an order is laid that arrives before
that week, in whole packs: the fewest with which it lasts, at that level, for as long as an order
is to last or keeps. The service level is that of each order's time, not of all weeks together. What
is used in a week in which a lot expires is not taken from that lot. From today to the first week
planned as much is used as in that week on average.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta

import numpy as np
from numpy.typing import NDArray

from forecast.staffing.desk_numbers import table
from forecast.staffing.inputs import StaffingInputs, StockItem
from forecast.staffing.standing import BranchNote
from forecast.staffing.workload import Workload
from models.streams import DrawStreams
from models.weeks import DAYS_IN_WEEK

Array = NDArray[np.float64]


@dataclass(frozen=True)
class StockOrder:
    """One order of one item for one branch.

    Attributes
    ----------
    order_by
        Last day on which to order; today where that has passed (`is_late`).
    arrives
        When it then comes.
    packs, units
        Whole packs, and what they hold.
    price
        None where no price is known.
    runs_out_odds
        Probability that the item would run out before the next order could help, without this one.
    is_late
        It comes after the odds of running out pass what is allowed.
    """

    item: str
    branch: str
    order_by: date
    arrives: date
    packs: int
    units: float
    price: float | None
    runs_out_odds: float
    is_late: bool


@dataclass(frozen=True)
class StockOutlook:
    """One item at one branch over the weeks ahead.

    `used` are expected units for 10, 50 and 90 % of the draws, `expired` expected units thrown
    away with the orders given, `service` the share of futures in which it must not run out, and
    `runs_out_odds` the probability that it does in any week, with the orders given.
    """

    item: str
    branch: str
    on_hand: float
    used: tuple[float, float, float]
    expired: float
    service: float
    runs_out_odds: float
    orders: tuple[StockOrder, ...]


def order_stock(
    workload: Workload,
    inputs: StaffingInputs,
    *,
    today: date,
    service: float | None,
    seed: Sequence[int],
) -> tuple[StockOutlook, ...]:
    """Return what to order of each item, and how likely each runs out.

    `service` is that of items without their own; the table's where it is None too.
    """
    usual = table().number("stock.service") if service is None else service
    streams = DrawStreams(seed, workload.visits.sizes["draw"], list(workload.branches))
    found = []
    for item in inputs.stock:
        if item.branch not in workload.branches:
            continue
        used = units_used(workload, item, streams)
        level = usual if item.service is None else item.service
        found.append(_outlook(item, used, workload.weeks, today=today, service=level))
    return tuple(found)


def count_notes(inputs: StaffingInputs, *, first_week: date) -> list[BranchNote]:
    """Say by branch what was taken off counts of stock, and which counts are old."""
    longest = timedelta(days=int(table().number("stock.old_count_days")))
    found = []
    for branch in dict.fromkeys(item.branch for item in inputs.stock):
        own = [item for item in inputs.stock if item.branch == branch and item.counted is not None]
        place = inputs.hours[branch].branch.name if branch in inputs.hours else branch
        found += [BranchNote(branch, _taken_off(item, place)) for item in own if item.used_since]
        old = [
            (item.counted, item.id)
            for item in own
            if item.counted is not None and item.counted + longest < first_week
        ]
        if old:
            counted, name = min(old)
            counts = "1 count of stock lies" if len(old) == 1 else f"{len(old)} counts of stock lie"
            sentence = (
                f"{place}: {counts} more than {longest.days} days before the first week planned "
                f"(the oldest of {counted}, {name}); but for doses on record, what was used since "
                "is not taken off, so count again before you trust what is to be ordered"
            )
            found.append(BranchNote(branch, sentence))
    return found


def _taken_off(item: StockItem, place: str) -> str:
    doses = "1 dose" if item.used_since == 1 else f"{item.used_since:g} doses"
    sentence = (
        f"{place}: {doses} on record since the count of {item.counted} came off the {item.id}s on "
        "hand; deliveries since are not on record, so enter a count after each"
    )
    if item.used_since > item.counted_units:
        sentence += (
            f"; only {item.counted_units:g} were counted, so something came in since: count again"
        )
    return sentence


def units_used(workload: Workload, item: StockItem, streams: DrawStreams) -> Array:
    """Return the units that visits take, shape ``(draw, week)``.

    Of a kind that takes less than one unit on average, so large a share takes one.
    """
    branch = workload.branches.index(item.branch)
    total = np.zeros((workload.visits.sizes["draw"], len(workload.weeks)))
    for kind, each in item.use.items():
        counts = workload.visits.sel(kind=kind).transpose("draw", "branch", "week").values
        surely, chance = divmod(each, 1.0)

        def take(
            rng: np.random.Generator, draw: int, b: int, counts: Array = counts, p: float = chance
        ) -> NDArray[np.int64]:
            return np.asarray(rng.binomial(np.rint(counts[draw, b]).astype(np.int64), p))

        total += surely * counts[:, branch] + streams.own(take)[:, branch]
    return total


def _outlook(
    item: StockItem, used: Array, weeks: tuple[date, ...], *, today: date, service: float
) -> StockOutlook:
    on_hand = float(sum(lot.units for lot in item.left))
    until = max((weeks[0] - today).days, 0) / DAYS_IN_WEEK * float(used[:, 0].mean())
    then = replace(item, used_since=item.used_since + until).left
    lots = [(lot.units, 0, _last_week(lot.expires, weeks)) for lot in then]
    lead = timedelta(days=item.lead_days)
    earliest = next((w for w, week in enumerate(weeks) if week >= today + lead), len(weeks))
    keeps = len(weeks) if item.shelf_days is None else max(item.shelf_days // DAYS_IN_WEEK, 1)
    lasts = max(min(int(table().number("stock.cover_weeks")), keeps), 1)
    orders: list[StockOrder] = []
    checked = 0
    while checked < len(weeks):
        short = _shortage(lots, used)[0]
        # what is short before anything can come is past helping
        odds = (np.cumsum(short[:, checked:], axis=1) > 1e-9).mean(axis=0)
        late = np.flatnonzero(odds > 1.0 - service + 1e-12)
        if not len(late):
            break
        runs_out = checked + int(late[0])
        at = max(runs_out, earliest)
        if at >= len(weeks):
            break
        until = min(at + lasts, len(weeks))
        wanted = short[:, at:until].sum(axis=1)
        units = float(np.quantile(wanted, service, method="inverted_cdf"))
        packs = int(np.ceil(units / item.pack_size - 1e-9))
        if packs:
            lots.append((packs * item.pack_size, at, min(at + keeps - 1, len(weeks) - 1)))
            orders.append(
                StockOrder(
                    item=item.id,
                    branch=item.branch,
                    order_by=max(weeks[at] - lead, today),
                    arrives=weeks[at],
                    packs=packs,
                    units=packs * item.pack_size,
                    price=None if item.pack_price is None else packs * item.pack_price,
                    runs_out_odds=float((short[:, checked:until] > 1e-9).any(axis=1).mean()),
                    is_late=runs_out < at,
                )
            )
        checked = until
    short, expired = _shortage(lots, used)
    low, middle, high = (float(q) for q in np.quantile(used.sum(axis=1), [0.1, 0.5, 0.9]))
    return StockOutlook(
        item.id,
        item.branch,
        on_hand,
        (low, middle, high),
        float(expired.mean()),
        service,
        float((short > 1e-9).any(axis=1).mean()),
        tuple(orders),
    )


def _last_week(expires: date | None, weeks: tuple[date, ...]) -> int:
    """Return the last week in all of which a lot can be used; -1 where there is none."""
    if expires is None:
        return len(weeks) - 1
    end = timedelta(days=DAYS_IN_WEEK - 1)
    return max((w for w, week in enumerate(weeks) if week + end <= expires), default=-1)


def _shortage(lots: Sequence[tuple[float, int, int]], used: Array) -> tuple[Array, Array]:
    """Return what is wanted and not there, ``(draw, week)``, and what expires by draw.

    `lots` are units, the first and the last week in which they can be used.
    """
    n_draws, n_weeks = used.shape
    ordered = sorted(lots, key=lambda lot: (lot[2], lot[1]))
    left = [np.full(n_draws, float(units)) for units, *_ in ordered]
    short, expired = np.zeros_like(used), np.zeros(n_draws)
    for week in range(n_weeks):
        wanted = used[:, week].copy()
        for units, (_, first, last) in zip(left, ordered, strict=True):
            if first <= week <= last:
                taken = np.minimum(units, wanted)
                units -= taken
                wanted -= taken
        short[:, week] = wanted
    for units, (_, _, last) in zip(left, ordered, strict=True):
        if last < n_weeks - 1:  # the others may still be used afterwards
            expired += units
    return short, expired
