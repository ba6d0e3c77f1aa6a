"""Demo: an invented practice on the bundled real weather, from nothing to a first plan."""

from __future__ import annotations

import os
from datetime import date
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from jobs.cli.options import read_day


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
) -> None:
    """Invent a practice on real weather, run everything as of a day, print the report."""
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
