"""What `forepaw sources` and `forepaw pull` print."""

from __future__ import annotations

from collections.abc import Sequence
from textwrap import wrap

from rich.padding import Padding
from rich.text import Text

from jobs.console import INDENT, console, heading, new_table, paragraph, print_table
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
    table = new_table("source", "kind", "newest", "days old (allowed)", "")
    table.columns[0].no_wrap = True
    for state in states:
        newest = f"{min(state.newest.values())}" if state.newest else "none yet"
        age = "not known" if state.age is None else str(state.age)
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
        _line(pulled.sentence)
        told = [finding for finding in pulled.findings if finding.severity != "note"]
        for finding in told[:_SHOWN]:
            _line(finding.sentence, inset=INDENT)
        if len(told) > _SHOWN:
            _line(f"... and {len(told) - _SHOWN} more: {pulled.report}", inset=INDENT)
        for failure in pulled.failures[1:_SHOWN]:
            _line(f"failed: {failure}", inset=INDENT)


def _line(text: str, *, inset: int = 0) -> None:
    """Print a line of its own; on a terminal it is wrapped between words, what hangs is set in."""
    if not console.is_terminal:
        console.print(" " * inset + text, soft_wrap=True, markup=False)
        return
    first, *rest = wrap(text, console.width - inset - INDENT, break_long_words=False) or [""]
    console.print(
        "\n".join([" " * inset + first] + [" " * (inset + INDENT) + r for r in rest]),
        soft_wrap=True,
        markup=False,
    )


def _judged(state: SourceState) -> str:
    if state.last_run is None:
        return "never pulled"
    return {None: "nothing came", True: "stale", False: "current"}[state.is_stale]


def _show_terms(source: Source) -> None:
    console.print()
    paragraph(f"{source.id} ({source.kind}): {source.name}")
    lines = [source.terms, f"Licence: {source.licence}"]
    lines += [f"Credit: {source.credit}"] if source.credit else []
    for line in lines:
        console.print(Padding(Text(line), (0, 0, 0, 2 * INDENT), expand=False))
    if source.homepage:  # whole, however long, so that it can be followed
        console.print(" " * 2 * INDENT + source.homepage, soft_wrap=True, markup=False)
