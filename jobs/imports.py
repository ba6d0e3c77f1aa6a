"""Imports: one door for every kind of file a practice brings."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from forecast.climate import open_climate, read_flowering_file, read_weather_file
from forecast.climate.flowering_table import MergedFlowering, merge_flowering
from forecast.dosing.therapies import THERAPY_IDS
from forecast.findings import Finding
from forecast.practice import Practice
from forecast.privacy import forget_expired
from forecast.records.engine import Records
from forecast.records.imports import ImportedFile, imported_files
from forecast.sheets import Progress
from forecast.staffing.desk_import import import_staff
from forecast.visits import (
    ImportReport,
    accept_import,
    import_again,
    import_branches,
    import_closures,
    import_dogs,
    import_facts,
    import_medicines,
    import_reactions,
    import_scores,
    import_tests,
    import_therapies,
    import_vaccinations,
    import_visits,
    take_back,
)
from jobs.ledger import recorded_run
from jobs.opening import open_all
from models.errors import ForepawError

NOT_STATED = "not stated in the file"


class ImportRefusedError(ForepawError):
    """A file holds nothing that this practice can use."""


@dataclass(frozen=True)
class Imported:
    """What came of a file: a sentence, what its checks found, and where that is kept.

    `forgotten` says what of older imports had been kept long enough. `n_rows` is how many rows
    count from now on that did not before; None where that is not told.
    """

    sentence: str
    findings: Sequence[Finding]
    report: Path | None
    forgotten: str = ""
    n_rows: int | None = None


@dataclass(frozen=True)
class Asked:
    """What is asked of an import beside its file: the layout to read it through, news of it."""

    layout: str | None = None
    progress: Progress | None = None


_Run = tuple[str, Asked]  # id of the run, and what is asked
_Door = Callable[[Practice, Records, Path, _Run], Imported]


def import_file(
    practice: Practice,
    kind: str,
    file: Path,
    *,
    layout: str | None = None,
    progress: Progress | None = None,
) -> Imported:
    """Bring in one file and write the run down; then forget what was kept long enough.

    `layout` names the one to read visits through; `progress` hears the share done, from 0 to 1.
    """
    records, _ = open_all(practice)
    with recorded_run(
        practice, records, f"import {kind}", local_date=practice.today, cut=None
    ) as result:

        def tell(share: float) -> None:
            result.tell(share)
            if progress is not None:
                progress(share)

        done = _DOORS[kind](practice, records, file, (result.run_id, Asked(layout, tell)))
        forgotten = forget_expired(practice, records).sentence
        # counts only: a findings sentence may hold a name, and stays in the practice folder
        result.sentence = "; ".join([f"{len(done.findings)} findings", *forgotten.splitlines()])
        result.rows = done.n_rows
    return replace(done, forgotten=forgotten)


def _weather(practice: Practice, _: Records, file: Path, run: _Run) -> Imported:
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
        run_id=run[0],
    )
    first, last = (np.datetime_as_string(kept["time"].values[i], unit="D") for i in (0, -1))
    missing = [region for region in wanted if region not in held]
    tail = f"; it has no weather of {', '.join(missing)}" if missing else ""
    return Imported(
        f"{file.name}: daily weather of {', '.join(held)} from {first} to {last}{tail}",
        findings,
        None,
    )


def _flowering(practice: Practice, _: Records, file: Path, run: _Run) -> Imported:
    frame, findings = read_flowering_file(file, today=practice.today)
    wanted = [region.id for region in practice.settings.region]
    kept = frame[frame["region"].isin(wanted)]
    if kept.empty:
        raise ImportRefusedError(
            f"{file.name} holds no flowering dates of {', '.join(wanted)}, the practice's regions"
        )
    store = open_climate(practice)
    merged = merge_flowering(store.flowering(), kept.assign(source=file.name))
    store.append_flowering(
        kept,
        source=file.name,
        licence=NOT_STATED,
        credit=NOT_STATED,
        retrieved_at=_came(file),
        run_id=run[0],
    )
    return Imported(
        f"{file.name}: {_count(len(kept), 'flowering date')} of "
        f"{_count(kept['species'].nunique(), 'plant')}: {_became(merged)}; "
        f"{len(frame) - len(kept)} of other places left out",
        findings,
        None,
        n_rows=merged.n_new + merged.n_corrected,
    )


def _became(merged: MergedFlowering) -> str:
    """Say what became of the dates of a file."""
    parts = {
        "new": merged.n_new,
        "in place of another date of the same season": merged.n_corrected,
        "held already": merged.n_held_already,
    }
    return ", ".join(f"{number} {words}" for words, number in parts.items() if number)


def _count(number: int, thing: str) -> str:
    return f"{number} {thing}" + ("" if number == 1 else "s")


def _came(file: Path) -> datetime:
    """Say when a file came to this machine; of the same file it is the same at every import."""
    return datetime.fromtimestamp(file.stat().st_mtime, UTC)


def _of_records(importer: Callable[[Practice, Records, Path], ImportReport]) -> _Door:
    def door(practice: Practice, records: Records, file: Path, _: _Run) -> Imported:
        return _imported(importer(practice, records, file))

    return door


def _imported(report: ImportReport) -> Imported:
    n_rows = 0 if report.already or report.held_because else report.n_kept
    return Imported(report.sentence, report.findings, report.findings_file, n_rows=n_rows)


def _visits(practice: Practice, records: Records, file: Path, run: _Run) -> Imported:
    asked = run[1]
    return _imported(
        import_visits(practice, records, file, layout=asked.layout, progress=asked.progress)
    )


def _therapies(practice: Practice, records: Records, file: Path) -> ImportReport:
    return import_therapies(practice, records, file, therapies=THERAPY_IDS)


def _reactions(practice: Practice, records: Records, file: Path) -> ImportReport:
    return import_reactions(practice, records, file, therapies=THERAPY_IDS)


_DOORS: dict[str, _Door] = {
    "weather": _weather,
    "flowering": _flowering,
    "branches": _of_records(import_branches),
    "dogs": _of_records(import_dogs),
    "facts": _of_records(import_facts),
    "visits": _visits,
    "closures": _of_records(import_closures),
    "therapies": _of_records(_therapies),
    "scores": _of_records(import_scores),
    "reactions": _of_records(_reactions),
    "vaccinations": _of_records(import_vaccinations),
    "medicines": _of_records(import_medicines),
    "tests": _of_records(import_tests),
    "staff": _of_records(import_staff),
}
KINDS = tuple(_DOORS)


def imports_made(practice: Practice) -> list[ImportedFile]:
    """Return all imports of a practice, oldest first."""
    records, _ = open_all(practice)
    return imported_files(records)


def accept(practice: Practice, import_id: int) -> None:
    """Take a held import as it is, and write the run down."""
    records, _ = open_all(practice)
    with recorded_run(
        practice, records, "accept import", local_date=practice.today, cut=None
    ) as result:
        accept_import(practice, records, import_id)
        result.sentence = f"import {import_id}"


def read_again(
    practice: Practice,
    import_id: int,
    *,
    layout: str | None = None,
    accept: bool = False,
    progress: Progress | None = None,
) -> Imported:
    """Read an import of visits anew through the layout as it is now, and write the run down.

    Either the new reading takes the place of the old, or nothing changes. With `accept` it counts
    however unlike the past it is.
    """
    records, _ = open_all(practice)
    with recorded_run(
        practice, records, "import again", local_date=practice.today, cut=None
    ) as result:
        report = import_again(
            practice, records, import_id, layout=layout, accept=accept, progress=progress
        )
        forgotten = forget_expired(practice, records).sentence
        result.rows = report.n_kept
        result.sentence = f"import {import_id} became {report.import_id}"
    told = f"import {import_id} was read again: {report.sentence}"
    return Imported(told, report.findings, report.findings_file, forgotten)


def undo(practice: Practice, import_id: int) -> int:
    """Take an import back, and write the run down; return how many rows it had."""
    records, _ = open_all(practice)
    with recorded_run(
        practice, records, "undo import", local_date=practice.today, cut=None
    ) as result:
        result.rows = take_back(records, import_id)
        result.sentence = f"import {import_id}"
    return result.rows
