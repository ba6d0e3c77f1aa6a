"""What `forepaw staff` prints: which weeks overflow, what to order, what it costs, what if."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

from rich.table import Table

from forecast.staffing.kept_plan import KeptPlan
from forecast.staffing.last_year import notes_on
from forecast.staffing.visit_lengths import MINUTES_TOLD
from forecast.staffing.what_if import WhatIf
from forecast.staffing.words import currency_words, overflow_answer, proposal_words, told_odds
from forecast.wording import INVENTED, day, odds
from jobs.console import console, heading, paragraph
from jobs.staff import Staffed

_ORDERS_SHOWN = 8


def show_staffing(
    done: Staffed, names: Mapping[str, str], *, invented: bool, files: Sequence[Path]
) -> None:
    """Print a plan: the answer, odds by week and branch, orders, costs, what must be known.

    Where a roster was agreed, odds and costs are of that, and the proposal is told beside it.
    """
    plan = done.worked.in_plan(done.plan)
    heading(f"Staffing of {plan.n_weeks} weeks, from issue {plan.issue_id}")
    if invented:
        paragraph(INVENTED, style="bold")
    paragraph(overflow_answer(plan, names), style="bold")
    if plan.held:
        paragraph(f"The agreed shifts of {len(plan.held)} of {plan.n_weeks} weeks are kept.")
    if beside := proposal_words(done.worked, done.plan):
        n = sum(week in done.worked.agreed for week in plan.weeks)
        paragraph(f"In {n} of {plan.n_weeks} weeks shifts are agreed; odds and costs are theirs.")
        paragraph(beside)
    for sentence in plan.remarks:
        paragraph(f"{sentence[:1].upper()}{sentence[1:]}")
    console.print(_odds(plan, names))
    _orders(plan, names)
    _money(plan)
    heading("Minutes a visit takes")
    for told in plan.told:
        if told.what.startswith(MINUTES_TOLD):
            kind = told.what.removeprefix(MINUTES_TOLD)
            paragraph(f"{kind[:1].upper()}{kind[1:]}: {told.value} ({told.why})")
    if plan.roster.solution is not None:
        paragraph(f"The roster is {plan.roster.solution.sentence}.")
    heading("Workbook and calendars; they hold names")
    for path in files:
        console.print(f"  {path}", soft_wrap=True)


def _money(plan: KeptPlan) -> None:
    if not plan.money.lines:
        return
    unit = currency_words(plan.money.currency)
    heading(f"Expected cost [{unit}], on the same futures")
    console.print(_costs(plan))
    for note in notes_on(one.roster for one in plan.money.lines):
        paragraph(note)
    if plan.money.prices_from_table:
        n = len(plan.money.prices_from_table)
        paragraph(f"{n} prices are the house's until you enter your own: read differences.")


def show_what_if(tried: WhatIf) -> None:
    """Print what a change would do."""
    heading(f"What if: {tried.sentence}")
    table = Table("each with a roster planned anew", "without it", "with the change", box=None)
    for words, pair, digits in (
        (f"expected cost [{currency_words(tried.currency)}]", tried.cost, 0),
        ("visits turned away", tried.turned_away, 0),
        ("branch-weeks that overflow", tried.overflow_weeks, 1),
    ):
        table.add_row(words, *(f"{value:,.{digits}f}" for value in pair))
    console.print(table)
    paragraph(f"With the change it costs less in {odds(tried.cheaper_odds)} futures.")


def _odds(plan: KeptPlan, names: Mapping[str, str]) -> Table:
    table = Table("week of", *(names.get(one, one) for one in plan.branches), box=None)
    held = {(one.week, one.branch): one.overflow_odds for one in plan.waiting}
    for week in plan.weeks:
        cells = []
        for branch in plan.branches:
            chance = held.get((week, branch))
            words = "not planned" if chance is None else odds(chance)
            is_likely = chance is not None and chance >= told_odds()
            cells.append(f"[bold]{words}[/]" if is_likely else words)
        table.add_row(day(week), *cells)
    return table


def _orders(plan: KeptPlan, names: Mapping[str, str]) -> None:
    orders = sorted(
        (order for one in plan.stock for order in one.orders),
        key=lambda one: (one.order_by, one.branch, one.item),
    )
    heading("To order")
    if not orders:
        paragraph("Nothing, as far as stock was counted.")
    for one in orders[:_ORDERS_SHOWN]:
        packs = "1 pack" if one.packs == 1 else f"{one.packs} packs"
        late = "; it comes late all the same" if one.is_late else ""
        where = names.get(one.branch, one.branch)
        unit = currency_words(plan.money.currency)
        price = "" if one.price is None else f", {one.price:,.0f} [{unit}]"
        paragraph(f"By {day(one.order_by)}: {packs} of {one.item} for {where}{price}{late}")
    if len(orders) > _ORDERS_SHOWN:
        paragraph(f"and {len(orders) - _ORDERS_SHOWN} later ones, in the workbook")


def _costs(plan: KeptPlan) -> Table:
    heads = ("roster", "in all", "8 in 10", "visits turned away", "branch-weeks over")
    table = Table(*heads, box=None)
    for one in plan.money.lines:
        table.add_row(
            one.roster,
            f"{one.total:,.0f}",
            f"{one.low:,.0f} to {one.high:,.0f}",
            f"{one.visits_turned_away:.0f}",
            f"{one.overflow_weeks:.1f}",
        )
    return table
