"""Sources: pull open weather, pollen and flowering dates; how each source stands."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, cast

import typer

from jobs.cli.options import PracticeFolder

if TYPE_CHECKING:
    from jobs.sources.source import Kind


def pull(
    practice: PracticeFolder = Path(),
    source: Annotated[
        str | None,
        typer.Option(help="Pull this source, or family, alone, and in any case.", metavar="ID"),
    ] = None,
    kind: Annotated[
        list[str] | None,
        typer.Option(
            help="Pull sources of this kind alone: weather, forecast, ensemble, seasonal, pollen "
            "or phenology; may be given several times.",
            metavar="KIND",
        ),
    ] = None,
) -> None:
    """Fetch what is lacking from the sources that practice.toml names under [[pull]].

    A source that fails is told in one line and the others go on; exit code 1 then.
    """
    from forecast.practice import open_practice
    from jobs.console import paragraph, say
    from jobs.console_sources import show_pulled
    from jobs.pull import pull as run_pull

    kinds = cast("list[Kind] | None", kind)
    done = run_pull(open_practice(practice), only=source, kinds=kinds, say=say)
    if not done:
        named = " or ".join(kind or ())
        paragraph(f"Nothing was asked: practice.toml names no source of the kind {named}.")
    show_pulled(done)
    if any(pulled.failures for pulled in done):
        raise typer.Exit(1)


def sources(
    practice: PracticeFolder = Path(),
    everything: Annotated[
        bool, typer.Option("--all", help="List every source that could be used.")
    ] = False,
) -> None:
    """Show each source in use: its terms, its age against its allowance, its last error."""
    from jobs.console_sources import show_known, show_states
    from jobs.sources.source import sources as known

    if everything:
        show_known(list(known().values()))
        return
    from forecast.practice import open_practice
    from jobs.opening import open_all
    from jobs.sources.state import source_states

    opened = open_practice(practice)
    show_states(source_states(opened, *open_all(opened)))
