"""A small practice on real weather, and one in a whole small world, each made once."""

from __future__ import annotations

import io
import re
import shutil
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from functools import cache, partial
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import xarray as xr

import sample_climate
from forecast.climate import ClimateStore, open_climate, read_weather_file
from forecast.climate.variables import variables
from forecast.practice import Practice, create_practice, open_practice, template
from forecast.records import Records
from jobs.cli import main
from jobs.imports import import_file
from jobs.issue import issue_today
from jobs.opening import open_all

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


# ------------------------------------------------------------------------------ a whole small world
FIRST_VISIT, LAST_DAY = "2019-01-07", "2022-06-25"
KINDS = ("weather", "flowering", "branches", "dogs", "visits", "therapies", "facts", "scores")


@dataclass(frozen=True)
class Ran:
    """How a command ended and what it said, wrapped lines joined."""

    code: int
    out: str
    err: str

    @property
    def told(self) -> list[str]:
        """The lines on standard error that are no progress."""
        return [line for line in self.err.splitlines() if not re.match(r" *\d+\.\d s  ", line)]


def run_forepaw(*words: object) -> Ran:
    """Run a command as the console script does."""
    out, err, before = io.StringIO(), io.StringIO(), sys.argv
    sys.argv = ["forepaw", *map(str, words)]
    code: object = 0
    try:
        with redirect_stdout(out), redirect_stderr(err):
            main()
    except SystemExit as ended:
        code = ended.code or 0
    finally:
        sys.argv = before
    assert isinstance(code, int)
    return Ran(code, " ".join(out.getvalue().split()), err.getvalue())


@pytest.fixture(scope="session")
def forepaw() -> Callable[..., Ran]:
    return run_forepaw


def write_weather(path: Path, weather: xr.Dataset) -> None:
    """Write weather as the CF file that a practice would be sent."""
    for name, variable in variables().items():
        weather[name].attrs = dict(variable.attributes)
    for name, unit in (("latitude", "degrees_north"), ("longitude", "degrees_east")):
        weather[name].attrs = {"units": unit, "standard_name": name}
    weather["elevation"].attrs = {"units": "m", "standard_name": "surface_altitude"}
    by_station = weather.rename(region="station").reset_index("station").reset_coords("station")
    by_station = by_station.rename(station="station_id")
    by_station["station_id"].attrs = {"cf_role": "timeseries_id"}
    by_station.attrs = {"title": "made up", "credit": "Weather made up for a test."}
    by_station.to_netcdf(path, engine="h5netcdf")


@pytest.fixture(scope="session", name="write_weather")
def weather_writer() -> Callable[[Path, xr.Dataset], None]:
    return write_weather


def invent_visits() -> pd.DataFrame:
    """Invent three and a half years of visits of two branches, 60 dogs, one wave a year."""
    rng = np.random.default_rng(5)
    rows = []
    for day in pd.date_range(FIRST_VISIT, LAST_DAY, freq="D"):
        wave = 1 + 0.8 * np.cos(2 * np.pi * (day.day_of_year / 365.25 - 0.6))
        for branch, first in (("n1", 0), ("s1", 30)):
            rows += [(day, branch, "", "other")] * 3
            for _ in range(rng.poisson(0.35 * wave)):
                rows.append((day, branch, f"D{first + rng.integers(30):02d}", "itch flare"))
    frame = pd.DataFrame(rows, columns=["date", "branch", "dog", "kind"])
    frame.insert(0, "visit", [f"V{n:05d}" for n in range(len(frame))])
    return frame


def invent_tables() -> dict[str, pd.DataFrame]:
    """Invent what a practice exports, each table with its dates as days."""
    numbers = [f"D{n:02d}" for n in range(60)]
    dogs = pd.DataFrame(
        {
            "dog": numbers,
            "name": [f"Snortlewick{n}" for n in range(60)],
            "owner": [f"Quillfeather{n}" for n in range(60)],
            "species": "dog",
            "status": ["dead" if n % 7 == 6 else "active" for n in range(60)],
            "region": ["north"] * 30 + [""] * 30,
            "branch": ["n1"] * 30 + ["s1"] * 30,
        }
    )
    therapies = pd.DataFrame(
        {
            "dog": numbers * 2,
            "date": pd.date_range("2020-01-06", periods=120, freq="7D"),
            "therapy": "anti_il31_antibody",
            "status": "given",
            "responded": "yes",
        }
    )
    facts = therapies[["dog", "date"]].assign(kind="atopic_dermatitis", value="yes")
    scores = therapies[["dog", "date"]].assign(pvas=3.5)
    branches = pd.DataFrame(
        {
            "id": ["n1", "s1"],
            "name": ["North One", "South"],
            "region": ["north", "south"],
            "open_days": "mon tue wed thu fri",
        }
    )
    flowering = pd.DataFrame(
        {
            "region": "north",
            "species": "cherry",
            "stage": "flowering",
            "date": [pd.Timestamp(year, 4, 3 + year % 9) for year in range(2005, 2023)],
        }
    )
    return {
        "flowering": flowering,
        "branches": branches,
        "dogs": dogs,
        "visits": invent_visits(),
        "therapies": therapies,
        "facts": facts,
        "scores": scores,
    }


@pytest.fixture(scope="session")
def exports(
    make_weather: Callable[..., xr.Dataset], tmp_path_factory: pytest.TempPathFactory
) -> Callable[[str], Path]:
    """Give a function that returns a folder of files with nothing in them from a day on."""
    weather = make_weather(first="2004-01-01", last=LAST_DAY)
    tables = invent_tables()

    @cache
    def write(until: str = "2999-01-01") -> Path:
        folder = tmp_path_factory.mktemp("exports")
        day = pd.Timestamp(until)
        known = weather["time"] < day.to_datetime64()
        write_weather(folder / "weather.nc", weather.sel(time=known))
        for name, table in tables.items():
            kept = table[table["date"] < day] if "date" in table else table
            kept.to_csv(folder / f"{name}.csv", index=False, date_format="%Y-%m-%d")
        return folder

    return write


def follow_readme(
    folder: Path, files: Path, kinds: Sequence[str] = KINDS, *, settings: str
) -> list[Ran]:
    """Make a practice as README's user does: init, edit the settings, import."""
    done = [run_forepaw("init", folder)]
    (folder / "practice.toml").write_text(settings, encoding="utf-8")
    for kind in kinds:
        file = files / ("weather.nc" if kind == "weather" else f"{kind}.csv")
        done.append(run_forepaw("import", kind, file, "--practice", folder))
    return done


@pytest.fixture(scope="session")
def follow(small_settings: str) -> Callable[..., list[Ran]]:
    return partial(follow_readme, settings=small_settings)


@pytest.fixture(scope="session")
def filled(
    exports: Callable[[str], Path],
    follow: Callable[..., list[Ran]],
    tmp_path_factory: pytest.TempPathFactory,
) -> tuple[Path, list[Ran]]:
    """Give a practice with everything imported and a forecast issued; do not change its folder."""
    folder = tmp_path_factory.mktemp("filled") / "practice"
    done = follow(folder, exports("2999-01-01"))
    done.append(run_forepaw("issue", "--practice", folder, "--as-of", "2022-06-27"))
    return folder, done


@pytest.fixture
def practice_folder(filled: tuple[Path, list[Ran]], tmp_path: Path) -> Path:
    """Give a copy of that practice, to be changed at will."""
    return Path(shutil.copytree(filled[0], tmp_path / "practice"))


# ------------------------------------------------------------------------------ issued day by day
ISSUED_ON = ("2022-03-01", "2022-03-04", "2022-03-08")  # a Tuesday, a Friday, a Tuesday
LATER_ON = "2022-06-24"


def morning(day: str) -> datetime:
    """Return a morning of Seoul."""
    return datetime.fromisoformat(f"{day}T00:00:00+00:00")


def bring_news(folder: Path, files: Path, *, since: str, day: str) -> Practice:
    """Let the days from `since` to before `day` come in, visits as a whole export; open it then."""
    practice = open_practice(folder, now=morning(day))
    climate = open_climate(practice)
    news, _ = read_weather_file(files / "weather.nc")
    news = news.sel(time=slice(since, str(date.fromisoformat(day) - timedelta(days=1))))
    climate.append_weather(
        news,
        source=climate.weather_sources()[0],
        licence="none",
        credit="Weather made up for a test.",
        retrieved_at=practice.now,
    )
    visits = pd.read_csv(files / "visits.csv", dtype=str)
    visits = visits[visits["date"] < day]
    path = folder.parent / f"visits until {day}.csv"
    visits.to_csv(path, index=False)
    import_file(practice, "visits", path)
    return practice


@pytest.fixture(scope="session")
def issued_days(
    exports: Callable[[str], Path],
    small_settings: str,
    tmp_path_factory: pytest.TempPathFactory,
) -> Path:
    """Give a practice that issued on three days, the data of each known on it, and of later days.

    Its folder is not to be changed. The model is learnt on the first day; the others rest on it.
    """
    folder = tmp_path_factory.mktemp("issued_days") / "practice"
    practice = create_practice(folder, small_settings, now=morning(ISSUED_ON[0]))
    for kind in KINDS:
        name = "weather.nc" if kind == "weather" else f"{kind}.csv"
        import_file(practice, kind, exports(ISSUED_ON[0]) / name)
    since = ISSUED_ON[0]
    for day in ISSUED_ON:
        if day != since:
            practice = bring_news(folder, exports("2999-01-01"), since=since, day=day)
        records, climate = open_all(practice)
        issue_today(practice, records, climate, origin=practice.today, say=lambda _: None)
        records.close()
        since = day
    bring_news(folder, exports("2999-01-01"), since=since, day=LATER_ON)
    return folder


@dataclass(frozen=True)
class Opened:
    """A practice that is open: its folder, settings and stores."""

    practice: Practice
    records: Records
    climate: ClimateStore

    @property
    def all(self) -> tuple[Practice, Records, ClimateStore]:
        """The three that every job takes."""
        return self.practice, self.records, self.climate


@pytest.fixture
def later(issued_days: Path, tmp_path: Path) -> Iterator[Opened]:
    """Give a copy of it, open on the later day, to be changed at will."""
    folder = Path(shutil.copytree(issued_days, tmp_path / "later"))
    practice = open_practice(folder, now=morning(LATER_ON))
    records, climate = open_all(practice)
    yield Opened(practice, records, climate)
    records.close()
