"""A small practice on real weather, made once."""

from __future__ import annotations

from pathlib import Path

import pytest

import sample_climate
from forecast.practice import create_practice, template
from jobs.imports import import_file

WEATHER = sample_climate.FOLDER / sample_climate.WEATHER_FILE
VISITS = "visit,date,branch,dog,kind\nV1,2023-01-02,main,D1,itch flare\n"


@pytest.fixture(scope="session")
def clinic(tmp_path_factory) -> Path:
    """Make a practice of one region with weather, one branch and one visit."""
    folder = tmp_path_factory.mktemp("clinic")
    practice = create_practice(folder / "practice", template().replace('"grass"', '"grasses"'))
    import_file(practice, "weather", WEATHER)
    for name, text in (
        ("branches", "id,name,region,open_days\nmain,Main,seoul,mon tue wed thu fri\n"),
        ("visits", VISITS),
    ):
        (folder / f"{name}.csv").write_text(text)
        import_file(practice, name, folder / f"{name}.csv")
    return practice.folder
