"""How the sources stand, the commands that say so, and the settings that the README shows."""

from __future__ import annotations

import io
import itertools
import sys
from collections.abc import Callable
from contextlib import redirect_stderr, redirect_stdout
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from pull_world import FIRST, LAST, NOW

from forecast.practice import Practice, create_practice, open_practice
from jobs.cli import main
from jobs.opening import open_all
from jobs.sources.access import settings_of, sources_in_use
from jobs.sources.services import service
from jobs.sources.source import Place, sources
from jobs.sources.state import source_states


# ------------------------------------------------------------------------------ how they stand
@pytest.mark.usefixtures("three_years")
def test_how_old_each_source_is_against_its_allowance(world):
    """The region that is most behind counts; a region without anything is named."""
    world.use("open_meteo_archive", "open_meteo_forecast")
    world.pull()
    practice = world.practice(NOW + timedelta(days=20))
    archive, ahead = source_states(practice, *open_all(practice))
    assert archive.age == 25
    assert archive.is_stale
    assert ahead.age == 20
    assert archive.without == ()
    assert archive.last_error == ""
    fresh = source_states(world.practice(), *open_all(world.practice()))[0]
    assert (fresh.age, fresh.is_stale) == (5, False)


def run(*words: str) -> tuple[int, str, str]:
    out, err, before = io.StringIO(), io.StringIO(), sys.argv
    sys.argv = ["forepaw", *words]
    code: Any = 0
    try:
        with redirect_stdout(out), redirect_stderr(err):
            main()
    except SystemExit as ended:
        code = ended.code or 0
    finally:
        sys.argv = before
    return code, " ".join(out.getvalue().split()), err.getvalue()


@pytest.mark.usefixtures("three_years")
def test_the_commands_say_what_came_and_how_the_sources_stand(
    world, monkeypatch: pytest.MonkeyPatch
):
    """`forepaw pull` ends with 1 where a source failed; `forepaw sources` tells the last error."""
    opened: Callable[..., Practice] = open_practice
    later = (NOW + timedelta(minutes=n) for n in itertools.count())
    monkeypatch.setattr(
        "forecast.practice.open_practice", lambda folder: opened(folder, now=next(later))
    )
    place = ["--practice", str(world.folder)]
    code, out, err = run("sources", *place)
    assert (code, "never pulled" in out) == (0, True)
    assert "non-commercial use only" in out
    code, out, _ = run("pull", *place)
    assert code == 0, err
    assert out.startswith("open_meteo_archive:")
    world.fake.spoil = lambda location: location.pop("daily")
    code, out, _ = run("pull", *place, "--source", "open_meteo_archive")
    assert code == 1
    assert "failed:" in out
    code, out, _ = run("sources", *place)
    assert "open_meteo_archive weather 2026-06-05 5 (10) current" in out
    assert "The last pull failed in part or whole. open_meteo_archive: 0 values" in out
    code, out, _ = run("sources", "--all")
    assert code == 0
    assert "usa_npn (phenology)" in out


def test_the_settings_that_the_readme_shows_are_settings(tmp_path):
    """For a real town, with sources that there are; each table row names sources that there are."""
    readme = (Path(__file__).parents[3] / "README.md").read_text(encoding="utf-8")
    text = next(part for part in readme.split("```toml\n") if part.startswith("[practice]"))
    text = text.split("```")[0]
    practice = create_practice(tmp_path / "clinic", text, now=NOW)
    used = [source.id for source in sources_in_use(practice)]
    assert used == ["nasa_power", "ghcn_daily", "meteoswiss_pollen", "meteoswiss_phenology"]
    for source in sources_in_use(practice):
        settings = settings_of(practice, source)
        place = Place("zurich", 47.3833, 8.5333, 408.0)
        assert service(source).requests(source, [place], FIRST, LAST, settings)
    missing = [name for name in sources() if name.split("_")[-1] not in readme]
    assert missing == []
