"""Doctor and serve: how everything stands, and all processes under one roof."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from jobs.cli.options import PracticeFolder


def doctor(
    practice: PracticeFolder = Path(),
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON.")] = False,
) -> None:
    """Look how everything stands and what to do about it; nothing is changed.

    Exit code 0: all is fine; 1: it works, and something wants attention; 2: something is broken.
    """
    from datetime import UTC, datetime

    from jobs.console_doctor import print_json, show_checks
    from jobs.doctor import examine, exit_code

    now = datetime.now(UTC)
    checks = examine(practice, now=now)
    if as_json:
        print_json(checks, now=now)
    else:
        show_checks(checks)
    raise typer.Exit(exit_code(checks))


def serve(practice: PracticeFolder = Path()) -> None:
    """Run all processes of a practice until told to end (SIGTERM or Ctrl-C), for a service.

    Exit code 0 if they ended as they were told to; another if one ended by itself.
    """
    import sys

    from jobs.logs import logs
    from jobs.serve import serve as run_all

    def ready(sentence: str) -> None:
        print(f"forepaw serve: ready ({sentence})", file=sys.stderr, flush=True)

    with logs():
        code = run_all(practice, ready=ready)
    raise typer.Exit(code)
