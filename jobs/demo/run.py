"""The whole job on an invented practice: make the folder, import, learn, look back, issue, plan.

It is the morning of the day asked for all the while: what came later waits in a folder of its own.
"""

from __future__ import annotations

import os
import shutil
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from datetime import time as time_of_day
from importlib.resources import files
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import xarray as xr

import sample_climate
from forecast.backtest import FOLDER, BacktestTask, backtest
from forecast.climate import fill_short_gaps, read_flowering_file, read_weather_file
from forecast.climate.weather_file import open_netcdf
from forecast.dosing.plan import DosePlan
from forecast.dosing.register import is_atopic, read_register
from forecast.issuing import Issue
from forecast.practice import Practice, PracticeError, create_practice, open_practice
from forecast.records.dogs import dog_ids
from forecast.records.engine import Records
from forecast.regions import regions
from forecast.staffing.asked import usual_service, weeks_asked
from forecast.training import what_drives
from jobs.demo.desk import write_desk
from jobs.demo.front_desk import CameIn, bring_in
from jobs.demo.invention import InventedPractice, invent_practice, write_csv
from jobs.demo.places import choose_regions
from jobs.demo.raw_export import EXPORTS
from jobs.demo.raw_export.patients import postcode_areas
from jobs.demo.worlds import World
from jobs.draw import told_beside
from jobs.imports import import_file
from jobs.issue import issue
from jobs.learn import learn
from jobs.opening import open_all
from jobs.outputs import write_outputs
from jobs.plan import plan
from jobs.staff import AskedOfStaff, staff, write_staffing
from models.flare.attribution import Evidence
from models.flare.yearly_review import YearlyReview
from models.season.hindcast import onset_hindcast, onset_hindcast_table

SETTINGS = "practice.toml"
TO_COME = "to_come"
MORNING = time_of_day(0, 0)  # UTC; the sample is of one time zone, nine hours ahead
FIRST_BACKTEST_WEEKS = 156
WEEKS_BETWEEN_ORIGINS = 12
LAST_ONSET_TRAINING_YEAR = 2015
# Those a Korean practice would ask about first; `forepaw allergens` says what else is likely there.
ALLERGENS = (
    "birch",
    "oak",
    "japanese_cedar",
    "grasses",
    "mugwort",
    "ragweed",
    "japanese_hop",
    "alternaria",
)
PLANTS_SHOWN = ("cherry", "forsythia", "black locust")


@dataclass(frozen=True)
class DemoResult:
    """Everything the report speaks of."""

    practice: Practice
    invented: InventedPractice
    issue: Issue
    plans: dict[str, DosePlan]
    scores: pd.DataFrame
    evidence: list[Evidence]
    reviewed: YearlyReview | None
    onset: pd.DataFrame
    files: list[Path]
    came_in: CameIn | None
    seconds: float


def run_demo(
    folder: Path,
    *,
    as_of: date,
    world: World,
    seed: int,
    say: Callable[[str], None],
    weeks_between_origins: int = WEEKS_BETWEEN_ORIGINS,
    workers: int = 1,
    raw_exports: bool = True,
    with_staff: bool = True,
) -> DemoResult:
    """Run everything as of a day; an earlier demo in the folder is replaced, nothing else is.

    With `raw_exports` the visits come as a practice's systems write them, notes and dirt and all;
    without, as a tidy table of the true kinds, which takes half the time. `with_staff` a roster and
    orders are planned too, as the clock does after an issue.
    """
    began = time.monotonic()
    _refuse_what_is_no_demo(folder)
    say("reading the sample climate")
    weather, flowering = sample()
    say(f"inventing a practice (world: {world})")
    invented = invent_practice(weather, flowering, world=world, seed=seed, as_of=as_of)
    if folder.exists():  # an earlier demo, and only now that another one can take its place
        shutil.rmtree(folder)
    text = settings_text(weather, flowering, postcode_areas(invented))
    practice = create_practice(folder, text, now=morning_of(as_of))
    say("importing weather, flowering dates and the practice's files")
    came_in = _import_all(practice, invented, raw_exports=raw_exports, say=say)
    records, climate = open_all(practice)
    model, known = learn(practice, records, climate, origin=as_of, say=say)
    say("looking back: forecasts from past origins")
    scores = backtest(
        BacktestTask(known, regions(practice), model.cut, seed),
        first_weeks=FIRST_BACKTEST_WEEKS,
        every=weeks_between_origins,
        workers=workers,
        keep_in=folder / FOLDER,  # an alert rule is simulated on it
        progress=say,
    )
    evidence = what_drives(model, known)
    made = issue(practice, records, climate, model=model, known=known, say=say)
    plans = _plan_the_allergic(practice, records, made, invented, say=say)
    if with_staff:
        asked = AskedOfStaff(weeks_asked(""), usual_service())
        write_staffing(practice, staff(practice, records, asked=asked, today=as_of, say=say))
    say("checking flowering onset, drawing charts")
    onset = onset_hindcast_table(
        onset_hindcast(
            weather,
            _first_flowers(flowering),
            last_training_year=LAST_ONSET_TRAINING_YEAR,
        ),
        seed=seed,
    )
    beside = told_beside(practice, made, model, known)
    written = write_outputs(practice, made, evidence=evidence, beside=beside)
    return DemoResult(
        practice,
        invented,
        made,
        plans,
        scores,
        evidence,
        model.review,
        onset,
        written,
        came_in,
        time.monotonic() - began,
    )


def sample() -> tuple[xr.Dataset, pd.DataFrame]:
    """Read the bundled weather and flowering dates, short gaps filled."""
    weather, _ = read_weather_file(sample_climate.FOLDER / sample_climate.WEATHER_FILE)
    flowering, _ = read_flowering_file(sample_climate.FOLDER / sample_climate.FLOWERING_FILE)
    filled, _ = fill_short_gaps(weather)
    return filled, flowering


def _refuse_what_is_no_demo(folder: Path) -> None:
    if not folder.exists() or (folder.is_dir() and not any(folder.iterdir())):
        return
    try:
        invented = open_practice(folder).settings.practice.invented
    except PracticeError:
        invented = False
    if not (invented and (folder / TO_COME).is_dir()):
        raise PracticeError(
            f"the demo was to be made in {folder}, which holds something that is no demo; "
            "name another folder with --dir"
        )


def morning_of(as_of: date) -> datetime:
    """Return the moment of the demo's day at which all is done: 09:00 where its stations are."""
    return datetime.combine(as_of, MORNING, UTC)


def settings_text(
    weather: xr.Dataset, flowering: pd.DataFrame, postcodes: Mapping[str, Sequence[str]]
) -> str:
    """Return the text of the demo's practice.toml, with its regions."""
    text = files("jobs.demo").joinpath(SETTINGS).read_text(encoding="utf-8")
    stations = pd.read_csv(sample_climate.FOLDER / sample_climate.STATIONS_FILE, index_col="id")
    for region in choose_regions(weather, flowering):
        text += _region_text(region, stations.loc[region].to_dict(), postcodes[region])
    return text


def _region_text(region: str, station: Mapping[Any, Any], postcodes: Sequence[str]) -> str:
    return (
        f'\n[[region]]\nid = "{region}"\nname = "{station["name"]}"\n'
        f"latitude = {station['latitude']}\nlongitude = {station['longitude']}\n"
        f'elevation = {float(station["elevation"])}\ntime_zone = "{station["time_zone"]}"\n'
        f"allergens = {_listed(ALLERGENS)}\npostcodes = {_listed(postcodes)}\n"
    )


def _listed(words: Sequence[str]) -> str:
    return "[" + ", ".join(f'"{word}"' for word in words) + "]"


def _import_all(
    practice: Practice,
    invented: InventedPractice,
    *,
    raw_exports: bool,
    say: Callable[[str], None],
) -> CameIn | None:
    later = practice.folder / TO_COME
    later.mkdir()
    for kind, path in _split_sample(practice.folder / EXPORTS, later, invented.as_of).items():
        import_file(practice, kind, path)
    came_in = bring_in(practice, invented, say=say) if raw_exports else None
    if not raw_exports:
        for path in write_csv(invented, practice.folder / EXPORTS):
            import_file(practice, path.stem, path)
    desk = write_desk(invented.branches, practice.folder / EXPORTS, as_of=invented.as_of)
    import_file(practice, "staff", desk)
    invented.visits_to_come.to_csv(later / "visits.csv", index=False, date_format="%Y-%m-%d")
    return came_in


def _split_sample(known: Path, later: Path, as_of: date) -> dict[str, Path]:
    """Write the sample as two files of each kind, what was out on the day and what was not.

    Returns the files of what was known, by the kind of their import.
    """
    known.mkdir()
    raw = open_netcdf(sample_climate.FOLDER / sample_climate.WEATHER_FILE)
    flowering = pd.read_csv(sample_climate.FOLDER / sample_climate.FLOWERING_FILE, dtype=str)
    is_over = raw["time"] < np.datetime64(as_of)
    has_flowered = flowering["date"] < str(as_of)
    for folder, days, dates in (
        (known, is_over, has_flowered),
        (later, ~is_over, ~has_flowered),
    ):
        raw.isel(time=days.values).to_netcdf(
            folder / sample_climate.WEATHER_FILE, engine="h5netcdf"
        )
        flowering[dates].to_csv(folder / sample_climate.FLOWERING_FILE, index=False)
    files = {
        "weather": known / sample_climate.WEATHER_FILE,
        "flowering": known / sample_climate.FLOWERING_FILE,
    }
    for path in files.values():
        os.utime(path, (morning_of(as_of).timestamp(),) * 2)  # a file's time is when it came
    return files


def _plan_the_allergic(
    practice: Practice,
    records: Records,
    made: Issue,
    invented: InventedPractice,
    *,
    say: Callable[[str], None],
) -> dict[str, DosePlan]:
    """Propose for the allergic dogs that are here; the key of a plan says which story.

    Those of the eight animals with a story are returned; the others are on their dogs' pages.
    """
    ids = dog_ids(records)
    stories = {ids[number]: story for story, number in invented.named_cases.items()}
    register = read_register(records, today=invented.as_of)
    held = {str(region) for region in made.forecast["region"].values}
    allergic = [
        dog.id
        for dog in register.dogs.values()
        if dog.region in held and dog.id not in register.gone and is_atopic(dog)
    ]
    found = plan(
        practice,
        records,
        made,
        dogs=list(dict.fromkeys([*stories, *allergic])),
        therapy_id="anti_il31_antibody",
        today=invented.as_of,
        say=say,
    )
    return {stories[p.dog]: p for p in found if p.dog in stories}


def _first_flowers(flowering: pd.DataFrame) -> pd.DataFrame:
    is_shown = flowering["species"].isin(PLANTS_SHOWN) & (flowering["stage"] == "flowering")
    return flowering[is_shown]
