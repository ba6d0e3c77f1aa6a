"""Set up: a new practice folder."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def init(
    folder: Annotated[Path, typer.Argument(help="A new or empty folder.")],
) -> None:
    """Make a practice folder with a practice.toml to edit."""
    from forecast.climate import open_climate
    from forecast.practice import create_practice
    from forecast.records import open_records

    practice = create_practice(folder)
    open_records(practice)
    open_climate(practice)
    print(f"Made {folder}. Next:")
    print(
        f"  1. edit {practice.settings_file}: the practice's name, its regions and their allergens"
    )
    print("  2. forepaw import weather FILE.nc        daily weather, 16 years or more")
    print("  3. forepaw import branches|dogs|visits FILE.csv    in this order; see README.md")
    print("  4. forepaw issue                         the first forecast")
