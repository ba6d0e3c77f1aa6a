"""What `forepaw sources` and `forepaw pull` print."""

from __future__ import annotations

from collections.abc import Sequence

from jobs.console import console, heading, new_table, paragraph, print_table
from jobs.sources.pulling import Pulled
from jobs.sources.source import Source
from jobs.sources.state import SourceState

_SHOWN = 5


def show_states(states: Sequence[SourceState]) -> None:
    """Print each source in use: its age against its allowance, its last error, its terms."""
    if not states:
        paragraph(
            "No source is in use. Name one under [[pull]] in practice.toml; `forepaw sources "
            "--all` lists them."
        )
        return
    heading("Sources in use")
    table = new_table("source", "kind", "newest", "age (allowed), days", "")
    table.columns[0].no_wrap = True
    for state in states:
        newest = f"{min(state.newest.values())}" if state.newest else "none"
        age = "?" if state.age is None else str(state.age)
        age += f" ({state.source.allowance_days:g})"
        table.add_row(state.source.id, state.source.kind, newest, age, _judged(state))
    print_table(table)
    for state in states:
        if state.without and state.newest:
            paragraph(f"{state.source.id} has nothing of {', '.join(state.without)}.")
        if state.last_error:
            paragraph(f"The last pull failed in part or whole. {state.last_error}")
    heading("What they ask of their users")
    for state in states:
        _show_terms(state.source)


def show_known(sources: Sequence[Source]) -> None:
    """Print every source that could be used, with its terms."""
    heading("Sources that practice.toml may name under [[pull]]")
    for source in sources:
        _show_terms(source)


def show_pulled(done: Sequence[Pulled]) -> None:
    """Print what came of a pull, a line a source; the first findings and failures in full."""
    for pulled in done:
        console.print(pulled.sentence, soft_wrap=True, markup=False)
        told = [finding for finding in pulled.findings if finding.severity != "note"]
        for finding in told[:_SHOWN]:
            console.print(f"  {finding.sentence}", soft_wrap=True, markup=False)
        if len(told) > _SHOWN:
            more = f"  ... and {len(told) - _SHOWN} more: {pulled.report}"
            console.print(more, soft_wrap=True, markup=False)
        for failure in pulled.failures[1:_SHOWN]:
            console.print(f"  failed: {failure}", soft_wrap=True, markup=False)


def _judged(state: SourceState) -> str:
    if state.last_run is None:
        return "never pulled"
    return {None: "nothing came", True: "stale", False: "current"}[state.is_stale]


def _show_terms(source: Source) -> None:
    paragraph(f"{source.id} ({source.kind}): {source.name}", style="bold")
    paragraph(f"{source.terms} Licence: {source.licence}. {source.homepage}")
    if source.credit:
        paragraph(f"Credit: {source.credit}")
