"""What `forepaw plan` prints: how many dogs of each proposal, the first ones, what is lacking."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from datetime import date
from pathlib import Path

from rich.padding import Padding
from rich.text import Text

from forecast.dosing.plan import CAUTIONS, DosePlan, Proposal
from forecast.dosing.schedule import LEFT_OUT
from forecast.dosing.work_up import NOT_ON_RECORD, SPEAKS_AGAINST, TOO_OLD, check_of
from forecast.issuing import Issue
from forecast.records.dogs import identity_of
from forecast.records.engine import Records
from forecast.wording import INVENTED, day
from jobs.console import INDENT, console, heading, new_table, paragraph, print_table
from models.words import number_of

SHOWN = 12  # dogs of one proposal that are named on the screen
_SHOWN_FIRST = (
    Proposal.DATED_DOSES,
    Proposal.SEE_NOW,
    Proposal.HOLD_A_SLOT,
    Proposal.VET_DECIDES,
    Proposal.EXAMINE,
    Proposal.NOTHING,
)


def show_plans(
    records: Records,
    made: Issue,
    plans: Sequence[DosePlan],
    *,
    in_full: bool,
    file: Path | None = None,
    stories: dict[str, str] | None = None,
    within: int | None = None,
) -> None:
    """Print proposals, the dated ones and those that need a vet first, each with its reasons.

    Of a proposal that many dogs share the first are named, unless `in_full`; `file` says where all
    of them stand. Of the dogs to be examined first it is counted what is missing. `within` says
    that only what is due in so many days is shown.
    """
    if not made.has_visits:
        paragraph(
            "No plans: without visits nothing is known of when these dogs flare "
            f"({made.forecast.attrs['why_no_visits']})."
        )
        return
    due = "" if within is None else f", seen now or dosed within {number_of(within, 'day')}"
    heading(f"Proposals for {_dogs(len(plans))}{due}, from issue {made.id}")
    if made.forecast.attrs["invented"]:
        paragraph(INVENTED, style="bold")
    paragraph("A vet who has examined the dog decides.")
    if stories:
        paragraph("Each of these shows a case; `forepaw plan` proposes for every dog.")
    for proposal in _SHOWN_FIRST:
        own = [one for one in plans if one.proposal is proposal]
        if own:
            _show_group(records, proposal, own, in_full=in_full, file=file, stories=stories or {})
    heading("On every plan")
    for caution in CAUTIONS:
        paragraph(caution.sentence)
    for sentence in dict.fromkeys(loose.sentence for one in plans for loose in one.loosened):
        paragraph(sentence, style="bold")
    n_words = sum(one.word is not None for one in plans)
    if n_words and not in_full:
        paragraph(
            f"A vet gave their word on a longer effect in {_dogs(n_words)}; each plan says so."
        )
    if file is not None:
        heading("Every proposal, with all its reasons")
        console.print(f"  {file}", soft_wrap=True)


def _show_group(
    records: Records,
    proposal: Proposal,
    plans: Sequence[DosePlan],
    *,
    in_full: bool,
    file: Path | None,
    stories: dict[str, str],
) -> None:
    heading(f"{proposal}: {_dogs(len(plans))}")
    if proposal is Proposal.EXAMINE and len(plans) > SHOWN and not in_full:
        _show_what_is_missing(plans)
        shown: Sequence[DosePlan] = ()
    else:
        shown = plans if in_full else plans[:SHOWN]
    for one in shown:
        _show_plan(records, one, stories, n_reasons=None if in_full else 2)
    left = len(plans) - len(shown)
    if left and file is not None:
        who = f"and {left} more, all" if shown else "each dog, and what it needs,"
        paragraph(f"{who} in {file.name}", style="dim")


def _show_what_is_missing(plans: Sequence[DosePlan]) -> None:
    """Print, check by check, for how many dogs it holds the plan up, and how."""
    held = Counter(check for one in plans for check in {check_of(r) for r in one.reasons})
    totals: Counter[str] = Counter()
    for (words, _), n in held.items():
        totals[words] += n
    states = (NOT_ON_RECORD, TOO_OLD, SPEAKS_AGAINST)
    table = new_table("what holds dogs up", *states)
    for column in table.columns[1:]:
        column.justify = "right"
    for words, _ in totals.most_common():
        table.add_row(words, *(str(held[words, state] or "") for state in states))
    print_table(table)


def _show_plan(
    records: Records, one: DosePlan, stories: dict[str, str], *, n_reasons: int | None
) -> None:
    identity = identity_of(records, one.dog)
    who = "erased" if identity is None else f"{identity.name or 'no name'}, {identity.reference}"
    text = Text.assemble((who, "bold"), f" ({stories[one.dog]})" if one.dog in stories else "")
    if one.doses:
        text.append(f": {', '.join(_with_year(dose.date) for dose in one.doses)}", style="bold")
    console.print(Padding(text, (0, 0, 0, INDENT), expand=False))
    for words in _what_holds(one):
        console.print(Padding(words, (0, 0, 0, 2 * INDENT), expand=False))
    if n_reasons is None and one.trade:
        _show_trade(one)
    reasons = [reason.sentence for reason in one.reasons]
    shown = reasons[:n_reasons]
    more = len(reasons) - len(shown)
    tail = f"; and {more} more" if more else ""
    words = Text("; ".join(shown) + tail + ".", style="dim")
    console.print(Padding(words, (0, 0, 0, 2 * INDENT), expand=False))
    if one.word is not None and n_reasons is None:
        told = Text(f"{one.word.sentence} Why: {one.word.reason}.", style="bold")
        console.print(Padding(told, (0, 0, 0, 2 * INDENT), expand=False))


def _what_holds(one: DosePlan) -> list[Text]:
    """Say what a vet has signed, what a new forecast moved, and when the dog's season is."""
    found = []
    if one.signed is not None:
        dates = ", ".join(_with_year(day) for day in one.signed.dates) or "no dose"
        found.append(Text(f"signed on {_with_year(one.signed.signed_on)}: {dates}", style="bold"))
    if one.moved is not None:
        found.append(Text(f"{one.moved.sentence}."))
    return found


def _show_trade(one: DosePlan) -> None:
    """Print the ways of dosing that competed, doses against risk left uncovered."""
    if one.season is not None:
        for name, spread in (("begins", one.season.start), ("ends", one.season.end)):
            words = (
                f"its season {name} around {_with_year(spread.middle)}, with {spread.odds:.0%} "
                f"odds between {_with_year(spread.early)} and {_with_year(spread.late)}"
            )
            console.print(Padding(Text(words), (0, 0, 0, 2 * INDENT), expand=False))
    table = new_table("way of dosing", "doses", "uncovered flare-weeks", "with doses priced in")
    for column in table.columns[1:]:
        column.justify = "right"
    for way in one.trade:
        table.add_row(
            way.name,
            f"{way.expected_doses:.1f}",
            f"{way.uncovered_risk:.2f}",
            f"{way.total:.2f}",
        )
    console.print(Padding(table, (0, 0, 0, 2 * INDENT), expand=False))
    console.print(Padding(Text(LEFT_OUT, style="dim"), (0, 0, 0, 2 * INDENT), expand=False))


def _dogs(number: int) -> str:
    return number_of(number, "dog")


def _with_year(moment: date) -> str:
    return f"{moment:%a} {day(moment)} {moment.year}"
