r"""The models judged by data that they have not seen: one command, a table, a JSON.

Weekly counts, by the protocol of `weekly_protocol` (columns week, count and, of several regions,
region)::

    python tests/validation/judge.py counts COUNTS.csv

Dates of flowering, by that of `onset_protocol` (columns site, lat, lon, year, day and, of several
plants, species; weather: site, date, tmin, tmax)::

    python tests/validation/judge.py onsets DATES.csv WEATHER.csv

One set-up for all data; nothing can be tuned here. The result is kept beside the first file.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import platform
import sys
import tempfile
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path
from typing import Any

import pandas as pd
from judged_files import (
    JudgedFileError,
    read_counts,
    read_onsets,
    require_long_enough,
)
from onset_tables import onset_tables
from record import text_table
from weekly_protocol import LEAST_WEEKS, Protocol

from forecast.findings import Finding
from models.errors import ForepawError

_LISTED = 8  # findings of one kind that are printed
_LIBRARIES = ("numpy", "scipy", "pandas", "xarray", "scikit-learn", "numba")


def judge_counts(path: Path, protocol: Protocol) -> dict[str, Any]:
    """Score the counting engine on the last weeks of a file of weekly counts."""
    counts, findings = read_counts(path)
    _tell(findings)
    require_long_enough(
        counts, test_weeks=protocol.test_weeks, least=LEAST_WEEKS, ahead=protocol.ahead
    )
    scored = protocol.scores(counts, _progress)
    names = [str(region) for region in counts["region"].values]
    parts = {path.stem: scored}
    if len(names) > 1:
        parts |= {name: scored[scored["region"] == name] for name in names}
    weeks = counts["week"].values.astype("datetime64[D]")
    origins = len(protocol.origins(counts))
    about = (
        f"{path.name}: {len(names)} region{'s' * (len(names) > 1)}, weeks {weeks[0]} to "
        f"{weeks[-1]}; {origins} origins, every {protocol.between_origins} weeks over the last "
        f"{protocol.test_weeks}, {protocol.ahead} weeks ahead, 23 quantiles. A relative score "
        "below one is better than the reference. Climatology: the same week and two on either "
        "side, all past years. Intervals: 90 %, bootstrap of seasons, widened for their number; "
        "p: Diebold-Mariano over origins; nan: too few of them to tell."
    )
    return _result(
        about,
        tables=[protocol.table_by_reference(scored), *protocol.tables(parts)],
        files=[path],
        findings=findings,
        settings=vars(protocol),
    )


def judge_onsets(
    dates: Path, weather: Path, *, last_training: int | None, issued: Sequence[str]
) -> dict[str, Any]:
    """Score hindcast, new stations and forecast in season on two files."""
    read, seasons, findings = read_onsets(dates, weather)
    _tell(findings)
    if last_training is None:
        last_training = _usual_split(seasons)
    tables, notes = onset_tables(
        read, seasons, last_training=last_training, issued=issued, told=_progress
    )
    years = sorted(set(seasons["year"]))
    about = (
        f"{dates.name} with {weather.name}: {len(seasons)} dates of "
        f"{seasons['region'].nunique()} sites, seasons {years[0]} to {years[-1]}; learnt from "
        f"those up to {last_training}, scored on the later ones. Errors in days; a ratio or a "
        "relative score below one is better than the reference. Intervals: 90 %, bootstrap of "
        "years, widened for their number."
    )
    return _result(
        about,
        tables=tables,
        notes=notes,
        files=[dates, weather],
        findings=findings,
        settings={"last_training": last_training, "issued": list(issued)},
    )


def keep(result: dict[str, Any], file: Path) -> None:
    """Write a result, whole or not at all."""
    text = json.dumps(result, indent=1, ensure_ascii=False) + "\n"
    try:
        handle, name = tempfile.mkstemp(dir=file.parent, prefix=f".{file.name}.")
        with os.fdopen(handle, "w", encoding="utf-8") as stream:
            stream.write(text)
        os.replace(name, file)
    except OSError as error:
        raise JudgedFileError(
            f"{file} cannot be written ({(error.strerror or '').lower()}): name another with --keep"
        ) from error


def main(arguments: Sequence[str] | None = None) -> int:
    """Judge, print the tables, keep the JSON; 1 where the files cannot be judged by."""
    asked = _parser().parse_args(arguments)
    first = asked.counts if asked.what == "counts" else asked.dates
    file = asked.keep or first.parent / f"{first.stem}.{asked.what}.json"
    try:
        _require_place(file)
        if asked.what == "counts":
            result = judge_counts(asked.counts, Protocol(test_weeks=asked.test_weeks))
        else:
            result = judge_onsets(
                asked.dates,
                asked.weather,
                last_training=asked.last_training,
                issued=asked.issued.split(","),
            )
        keep(result, file)
    except ForepawError as error:
        print(error, file=sys.stderr)
        return 1
    print("\n" + result["about"])
    for table in result["tables"]:
        print("\n" + text_table(table))
    print("".join(f"\n- {note}" for note in result["notes"]))
    print(f"kept: {file}")
    return 0


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="judge.py", description="Judge the models by data that they have not seen."
    )
    kinds = parser.add_subparsers(dest="what", required=True)
    counts = kinds.add_parser("counts", help="weekly counts: columns week, count, region")
    counts.add_argument("counts", type=Path, help="CSV: week, count and, of several, region")
    counts.add_argument(
        "--test-weeks", type=int, default=Protocol.test_weeks, help="weeks scored, at the end"
    )
    onsets = kinds.add_parser("onsets", help="dates of flowering, with daily weather")
    onsets.add_argument("dates", type=Path, help="CSV: site, lat, lon, year, day, species")
    onsets.add_argument("weather", type=Path, help="CSV: site, date, tmin, tmax [degC]")
    onsets.add_argument(
        "--last-training",
        type=int,
        help="last season to learn from; unless given, two thirds of the seasons",
    )
    onsets.add_argument(
        "--issued",
        default="02-01,03-01,03-15,04-01,04-15",
        help="days of forecasts in season, MM-DD, with commas between",
    )
    for kind in (counts, onsets):
        kind.add_argument("--keep", type=Path, help="the JSON; unless given, beside the first file")
    return parser


def _usual_split(seasons: pd.DataFrame) -> int:
    years = sorted(set(seasons["year"]))
    return int(years[max(len(years) * 2 // 3 - 1, 0)])


def _require_place(file: Path) -> None:
    if file.is_dir() or not file.parent.is_dir():
        raise JudgedFileError(
            f"the result cannot be kept as {file}: name a file in a folder that is there (--keep)"
        )


def _result(
    about: str,
    *,
    tables: list[dict[str, Any]],
    files: list[Path],
    findings: list[Finding],
    settings: dict[str, Any],
    notes: Sequence[str] = (),
) -> dict[str, Any]:
    return {
        "about": about,
        "tables": tables,
        "notes": list(notes),
        "settings": settings,
        "files": {f.name: hashlib.sha256(f.read_bytes()).hexdigest() for f in files},
        "findings": [finding.sentence for finding in findings],
        "made": datetime.now(UTC).isoformat(timespec="seconds"),
        "versions": {"python": platform.python_version(), "forepaw": version("forepaw")}
        | {name: version(name) for name in _LIBRARIES},
    }


def _tell(findings: Iterable[Finding]) -> None:
    """Print what was found in the files, of each kind the first few."""
    seen: dict[tuple[str, str], int] = {}
    for finding in findings:
        kind = (finding.file, finding.check)
        seen[kind] = seen.get(kind, 0) + 1
        if seen[kind] <= _LISTED:
            print(f"{finding.severity}: {finding.sentence}", file=sys.stderr)
    for (file, check), number in seen.items():
        if number > _LISTED:
            print(f"{file}: {check}: {number - _LISTED} more (all in the JSON)", file=sys.stderr)


def _progress(text: str) -> None:
    print(text, file=sys.stderr, flush=True)


if __name__ == "__main__":
    sys.exit(main())
