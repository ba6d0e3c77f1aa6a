"""Pages: the web process alone, as `forepaw serve` runs it beside the clock."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from jobs.cli.options import PracticeFolder


def pages(
    practice: PracticeFolder = Path(),
    port: Annotated[
        int | None,
        typer.Option(
            min=0, max=65535, help="0 for any that is free.", show_default="as in practice.toml"
        ),
    ] = None,
) -> None:
    """Serve the pages of a practice until told to end (SIGTERM or Ctrl-C).

    Where nobody is registered yet who may invite others, a link is printed by which the first one
    sets a password.
    """
    from jobs.console_pages import show_listening
    from jobs.logs import logs
    from jobs.serve import PAGES, mark_ready
    from jobs.web import Listening, run_web

    def ready(listening: Listening) -> None:
        show_listening(listening)
        mark_ready(listening.practice.folder, PAGES)

    with logs():
        raise typer.Exit(run_web(practice, ready=ready, port=port))
