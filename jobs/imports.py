"""Imports: one door for every kind of file a practice brings."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from forecast.climate import open_climate, read_flowering_file, read_weather_file
from forecast.dosing.therapies import THERAPY_IDS
from forecast.findings import Finding
from forecast.practice import Practice
from forecast.records.engine import Records
from forecast.visits import (
    ImportReport,
    import_branches,
    import_dogs,
    import_facts,
    import_scores,
    import_therapies,
    import_visits,
)
from jobs.ledger import recorded_run
from jobs.opening import open_all
from models.errors import ForepawError

NOT_STATED = "not stated in the file"


class ImportRefusedError(ForepawError):
    """A file holds nothing that this practice can use."""


@dataclass(frozen=True)
class Imported:
    """What came of a file: a sentence, what its checks found, and where that is kept."""

    sentence: str
    findings: Sequence[Finding]
    report: Path | None


def import_file(practice: Practice, kind: str, file: Path) -> Imported:
    """Bring in one file and write the run down."""
    records, _ = open_all(practice)
    with recorded_run(
        practice, records, f"import {kind}", local_date=practice.today, cut=None
    ) as result:
        done = _DOORS[kind](practice, records, file, result.run_id)
        # counts only: a findings sentence may hold a name, and stays in the practice folder
        result.sentence = f"{len(done.findings)} findings"
    return done


def _weather(practice: Practice, _: Records, file: Path, run_id: str) -> Imported:
    weather, findings = read_weather_file(file, today=practice.today)
    wanted = [region.id for region in practice.settings.region]
    held = [region for region in wanted if region in weather["region"].values]
    if not held:
        raise ImportRefusedError(
            f"{file.name} holds weather of {', '.join(map(str, weather['region'].values))}; the "
            f"practice has the regions {', '.join(wanted)}: name a region as the file does"
        )
    kept = weather.sel(region=held)
    open_climate(practice).append_weather(
        kept,
        source=str(weather.attrs.get("title", file.name)),
        licence=str(weather.attrs.get("licence", NOT_STATED)),
        credit=str(weather.attrs.get("credit", weather.attrs.get("institution", NOT_STATED))),
        retrieved_at=_came(file),
        run_id=run_id,
    )
    first, last = (np.datetime_as_string(kept["time"].values[i], unit="D") for i in (0, -1))
    missing = [region for region in wanted if region not in held]
    tail = f"; it has no weather of {', '.join(missing)}" if missing else ""
    return Imported(
        f"{file.name}: daily weather of {', '.join(held)} from {first} to {last}{tail}",
        findings,
        None,
    )


def _flowering(practice: Practice, _: Records, file: Path, run_id: str) -> Imported:
    frame, findings = read_flowering_file(file, today=practice.today)
    wanted = [region.id for region in practice.settings.region]
    kept = frame[frame["region"].isin(wanted)]
    if kept.empty:
        raise ImportRefusedError(
            f"{file.name} holds no flowering dates of {', '.join(wanted)}, the practice's regions"
        )
    open_climate(practice).append_flowering(
        kept,
        source=file.name,
        licence=NOT_STATED,
        credit=NOT_STATED,
        retrieved_at=_came(file),
        run_id=run_id,
    )
    return Imported(
        f"{file.name}: {len(kept)} flowering dates of {kept['species'].nunique()} plants; "
        f"{len(frame) - len(kept)} of other places left out",
        findings,
        None,
    )


def _came(file: Path) -> datetime:
    """Say when a file came to this machine; of the same file it is the same at every import."""
    return datetime.fromtimestamp(file.stat().st_mtime, UTC)


def _of_records(
    importer: Callable[[Practice, Records, Path], ImportReport],
) -> Callable[[Practice, Records, Path, str], Imported]:
    def door(practice: Practice, records: Records, file: Path, _: str) -> Imported:
        report = importer(practice, records, file)
        return Imported(report.sentence, report.findings, report.findings_file)

    return door


def _therapies(practice: Practice, records: Records, file: Path) -> ImportReport:
    return import_therapies(practice, records, file, therapies=THERAPY_IDS)


_DOORS: dict[str, Callable[[Practice, Records, Path, str], Imported]] = {
    "weather": _weather,
    "flowering": _flowering,
    "branches": _of_records(import_branches),
    "dogs": _of_records(import_dogs),
    "facts": _of_records(import_facts),
    "visits": _of_records(import_visits),
    "therapies": _of_records(_therapies),
    "scores": _of_records(import_scores),
}
KINDS = tuple(_DOORS)
