"""Demo: an invented practice on the bundled real weather, from nothing to a first plan."""

from __future__ import annotations

import os
from datetime import date
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from jobs.cli.options import read_day

DEMO_PORT = 8401  # beside that of a practice of one's own


class World(StrEnum):
    """What truly drives flares in the invented practice."""

    HUMIDITY = "humidity"
    POLLEN = "pollen"
    NONE = "none"


def demo(
    directory: Annotated[
        Path, typer.Option("--dir", help="Folder to make the practice in.")
    ] = Path("forepaw-demo"),
    as_of: Annotated[
        date, typer.Option(parser=read_day, metavar="YYYY-MM-DD", help="The day it is.")
    ] = date(2023, 3, 1),
    world: Annotated[World, typer.Option(help="What truly drives flares.")] = World.HUMIDITY,
    seed: Annotated[int, typer.Option(min=0, help="Another seed, another practice.")] = 1,
    serve: Annotated[
        bool,
        typer.Option(
            "--serve",
            help="Open its pages in a browser of this machine; a demo that is there is kept.",
        ),
    ] = False,
    port: Annotated[
        int, typer.Option(min=0, max=65535, help="Of the pages; 0 for any that is free.")
    ] = DEMO_PORT,
) -> None:
    """Invent a practice on real weather, run everything as of a day, print the report.

    With --serve its pages are to be had until Ctrl-C, and all that is asked for there is done.
    """
    if serve:
        from jobs.demo.serving import is_served_as_it_is

        if not is_served_as_it_is(directory):
            _make(directory, as_of=as_of, world=world, seed=seed)
        _serve(directory, port)
        return
    _make(directory, as_of=as_of, world=world, seed=seed)


def _serve(directory: Path, port: int) -> None:
    from jobs.console_demo import show_served
    from jobs.demo.serving import serve_demo
    from jobs.logs import logs

    with logs(level="warning"):
        raise typer.Exit(serve_demo(directory, port=port, ready=show_served))


def _make(directory: Path, *, as_of: date, world: World, seed: int) -> None:
    from jobs.console import say
    from jobs.demo.report import print_report
    from jobs.demo.run import run_demo

    done = run_demo(
        directory,
        as_of=as_of,
        world=world.value,
        seed=seed,
        say=say,
        workers=os.cpu_count() or 1,
    )
    print_report(done)
