"""Back-ups: make one, restore one."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from jobs.cli.options import PracticeFolder


def backup(
    practice: PracticeFolder = Path(),
    to: Annotated[
        Path | None,
        typer.Option(
            help="Folder of back-ups.", show_default="[backup] of practice.toml, or beside it"
        ),
    ] = None,
    with_secrets: Annotated[
        bool, typer.Option("--with-secrets", help="Take keys of services along.")
    ] = False,
) -> None:
    """Write all of a practice into one file, while others work on; older ones are thinned out.

    A copy of the folder is no back-up: what is written meanwhile spoils it. Restore one now and
    then, to see that it can be done.
    """
    from forecast.practice import open_practice
    from jobs.backup import back_up
    from jobs.console import bar
    from jobs.console_backup import show_backup
    from jobs.opening import open_all

    opened = open_practice(practice)
    records, climate = open_all(opened)
    with bar("backing up") as tell:
        made = back_up(
            opened,
            records,
            climate,
            to=to,
            with_secrets=with_secrets,
            say=lambda step: None,
            tell=tell,
        )
    show_backup(made)
    if made.manifest.lacking:
        raise typer.Exit(1)


def restore(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="A back-up.")],
    to: Annotated[Path, typer.Option(help="A new or empty folder.")],
    erasures: Annotated[
        Path | None,
        typer.Option(
            help="The newest list of who was erased.", show_default="erased.jsonl beside FILE"
        ),
    ] = None,
    settings: Annotated[
        Path | None,
        typer.Option(
            help="A practice.toml to use instead, such as one with another database.",
            show_default="the back-up's own",
        ),
    ] = None,
) -> None:
    """Make a practice from a back-up; who was erased since is erased again.

    The file is checked first. Records go into the folder, or into the database that practice.toml
    names, which has to be empty.
    """
    from jobs.backup import restore as put_back
    from jobs.console import bar
    from jobs.console_backup import show_restored

    with bar("restoring") as tell:
        done, settled = put_back(
            file, to, erasures=erasures, settings=settings, tell=tell or (lambda share: None)
        )
    show_restored(done, settled)
