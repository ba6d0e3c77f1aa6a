"""Climate: files and pulled data, the store that keeps them, reading as of a day."""

from __future__ import annotations

from forecast.climate.errors import ClimateError
from forecast.climate.flowering_file import read_flowering_file
from forecast.climate.gaps import fill_short_gaps
from forecast.climate.joining import (
    Joined,
    disagreements,
    join_in_parts,
    join_sources,
    joining_report,
)
from forecast.climate.provenance import Asked, Provenance, SourceTerms
from forecast.climate.quality import check_weather
from forecast.climate.reading import Subject
from forecast.climate.store import ClimateStore
from forecast.climate.weather_file import read_weather_file
from forecast.practice import Practice

__all__ = [
    "Asked",
    "ClimateError",
    "ClimateStore",
    "Joined",
    "Provenance",
    "SourceTerms",
    "Subject",
    "check_weather",
    "disagreements",
    "fill_short_gaps",
    "join_in_parts",
    "join_sources",
    "joining_report",
    "open_climate",
    "read_flowering_file",
    "read_weather_file",
]


def open_climate(practice: Practice) -> ClimateStore:
    """Open the practice's climate store, made if it is not there yet."""
    return ClimateStore.open(practice.climate_folder)
