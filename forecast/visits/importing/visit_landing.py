"""How a file of visits comes in: read, judged, laid beside the past, landed; then live or held.

All is worked out before the first row is written, and no transaction waits for any of it. Rows come
in batches under a pending import; one flip shows them all, or holds them where they differ too much
from the past. Nothing sees held rows until a person has answered.
"""

from __future__ import annotations

import time
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import NamedTuple

import pandas as pd

from forecast.findings import Finding
from forecast.homes import Home, HomeFinder
from forecast.practice import Practice
from forecast.records import Records, cases
from forecast.records import imports as import_records
from forecast.records.branches import branches
from forecast.records.bulk import Values, undisturbed
from forecast.records.cases import KeptDefinition, case_values
from forecast.records.dated import new_homes
from forecast.records.erased import read_erased
from forecast.records.identifiers import new_id
from forecast.records.imports import HELD, LIVE, VISITS, ImportedFile
from forecast.records.strangers import add_dogs_of, add_unnamed, sweep_unregistered
from forecast.records.visits import VisitRows, add_homes, add_visits, visits
from forecast.regions import regions
from forecast.sheets import Progress
from forecast.visits.case_definition import CaseDefinition, classify
from forecast.visits.drift import Drift, compare
from forecast.visits.exports.layout import Layout, layout_called, load_layouts
from forecast.visits.importing.archive import raw_content
from forecast.visits.importing.arriving import Arriving, owners_of, read_arriving, visit_rows
from forecast.visits.importing.joining import join_split
from forecast.visits.importing.landing import (
    ImportReport,
    IncomingFile,
    archive,
    imported_before,
    incoming,
    landing,
    log_import,
    note_findings,
    overtaken,
    sweep_abandoned,
    without_erased,
)
from forecast.visits.judging import definition_to_judge_by, judge
from forecast.visits.rules import VisitError

# Shares of the time, as a million lines took it.
_READING, _JUDGING, _COMPARING = 0.5, 0.7, 0.75


@dataclass(frozen=True)
class _Judged:
    """Verdicts on arriving visits, and by which definition; None where the file told the kinds."""

    cases: pd.DataFrame | None
    kept: KeptDefinition | None
    definition: CaseDefinition | None


def land_visits(
    practice: Practice,
    records: Records,
    path: Path | str,
    *,
    layout: str | None = None,
    progress: Progress | None = None,
) -> ImportReport:
    """Bring in a file of visits; see `forecast.visits.importing.files.import_visits`."""
    file = incoming(VISITS, path)
    sweep_abandoned(practice, records)
    already = import_records.standing_import(records, VISITS, file.sha256)
    if already is not None:
        return imported_before(file, already)
    return _land(practice, records, file, _Way(layout, progress or _tell_nobody))


def land_again(
    practice: Practice,
    records: Records,
    import_id: int,
    *,
    layout: str | None = None,
    accept: bool = False,
    progress: Progress | None = None,
) -> ImportReport:
    """Read an import's raw file anew; see `forecast.visits.importing.files.import_again`."""
    sweep_abandoned(practice, records)
    with records.reading() as connection:
        earlier = import_records.readable_again(connection, import_id)
    content = raw_content(practice.archive_folder, earlier.sha256)
    if content is None:
        raise VisitError(
            f"import {import_id} was to be read again, and its raw file is kept no longer "
            f"([retention] in practice.toml); if you have {earlier.file_name}, `forepaw import "
            f"undo {import_id}` and bring it in"
        )
    file = IncomingFile(VISITS, earlier.file_name, content, came_as=earlier.sha256)
    way = _Way(layout, progress or _tell_nobody, replaces=earlier, accept=accept)
    report = _land(practice, records, file, way)
    import_records.delete_undone(records, earlier)
    sweep_unregistered(records)
    return report


@dataclass(frozen=True)
class _Way:
    """How a file is to come in: through which layout, in whose place, and whoever listens."""

    layout: str | None
    tell: Progress
    replaces: ImportedFile | None = None
    accept: bool = False

    @property
    def without(self) -> int | None:
        """The import that does not count, as this one takes its place."""
        return self.replaces.id if self.replaces else None

    def refuse_if_held(self, because: Sequence[str]) -> None:
        """Refuse to put what would be held in the place of what counts."""
        if because and not self.accept and self.replaces and self.replaces.state == LIVE:
            raise VisitError(
                f"import {self.replaces.id}, read again, would be held, as {'; '.join(because)}. "
                f"Nothing was changed; `forepaw import again {self.replaces.id} --accept` takes it "
                "as it is"
            )


def _land(practice: Practice, records: Records, file: IncomingFile, way: _Way) -> ImportReport:
    started, tell = time.monotonic(), way.tell
    layouts = _layouts(practice, way.layout)
    arriving = read_arriving(
        file.content,
        file.name,
        layouts=layouts,
        branches={branch.id: branch.name for branch in branches(records).values()},
        today=practice.today,
        progress=lambda share: tell(_READING * share),
    )
    left = without_erased(practice, file, layouts)
    archive(practice, file, left.content)
    theirs = set(left.rows)
    del left
    file.content = b""  # a million lines weigh much, and what follows needs room
    arriving.findings += join_split(records, arriving, file=file.name, without=way.without)
    judged = _judge(practice, records, arriving)
    tell(_JUDGING)
    drifts = _drifts(records, arriving, judged, without=way.without)
    held_because = tuple(drift.sentence for drift in drifts if drift.holds)
    way.refuse_if_held(held_because)
    findings_file = note_findings(practice, file, arriving.findings, theirs=theirs)
    tell(_COMPARING)
    report = ImportReport(
        VISITS,
        file.name,
        0,
        arriving.n_read,
        len(arriving.visits),
        False,
        (*arriving.findings, *_remarks(file.name, drifts)),
        findings_file,
        arriving.n_left_out,
        () if way.accept else held_because,
    )
    n_visits = len(arriving.visits)
    with landing(practice, records, file, n_rows=n_visits, days=arriving.days) as import_id:
        with undisturbed():
            _add(practice, records, import_id, arriving, judged, progress=tell)
        came_first = not _flip(
            practice, records, import_id, judged, _Flip(report.held_because, held_because, way)
        )
    tell(1.0)
    if came_first:
        return overtaken(records, file, import_id)
    log_import(report, import_id, started)
    return replace(report, import_id=import_id)


def _tell_nobody(share: float) -> None:
    """Take note of nothing: nobody asked for the progress."""


def _layouts(practice: Practice, name: str | None) -> list[Layout]:
    found = load_layouts(practice.layouts_folder)
    return found if name is None else [layout_called(found, name)]


def _judge(practice: Practice, records: Records, arriving: Arriving) -> _Judged:
    if arriving.layout is None:
        return _Judged(None, None, None)
    kept, definition = definition_to_judge_by(practice, records)
    return _Judged(classify(arriving.visits, definition), kept, definition)


def _drifts(
    records: Records, arriving: Arriving, judged: _Judged, *, without: int | None
) -> list[Drift]:
    new = arriving.visits
    if judged.cases is not None:
        new = new.assign(kind=judged.cases["kind"], vet=new["vet"].replace("", None))
    return compare(visits(records, more=("vet", "unmapped"), without=without), new)


def _remarks(file: str, drifts: Iterable[Drift]) -> list[Finding]:
    return [
        Finding("beside the past", "warning", file, None, None, drift.sentence, "", "")
        for drift in drifts
        if not drift.holds
    ]


def _add(
    practice: Practice,
    records: Records,
    import_id: int,
    arriving: Arriving,
    judged: _Judged,
    *,
    progress: Progress,
) -> None:
    """Add dogs, visits with their verdicts, and homes under a pending import."""
    owners = owners_of(arriving.visits)
    counted = _Counted(progress, len(owners) + len(arriving.visits))
    dog_ids = _hide_erased(practice, records, arriving, owners)
    dog_ids |= add_dogs_of(
        records,
        {dog: owner for dog, owner in owners.items() if dog not in dog_ids},
        tell=counted,
    )
    homes = _homes(practice, arriving, dog_ids)
    rows = VisitRows(
        visit_rows(arriving, dog_ids),
        None if judged.cases is None else case_values(judged.cases),
        judged.kept.id if judged.kept else None,
    )
    add_visits(records, import_id, rows, tell=counted)
    add_homes(records, import_id, homes)


class _Counted:
    """Turns numbers of rows written into the share done."""

    def __init__(self, progress: Progress, n_rows: int) -> None:
        self._progress, self._n_rows, self._done = progress, n_rows, 0

    def __call__(self, n_rows: int) -> None:
        self._done += n_rows
        share = min(1.0, self._done / max(1, self._n_rows))
        self._progress(_COMPARING + (1 - _COMPARING) * share)


def _hide_erased(
    practice: Practice, records: Records, arriving: Arriving, owners: dict[str, str]
) -> dict[str, str]:
    """Take away what tells of dogs that were erased; return their ids, by number.

    Their visits count as before, under the same random ids. A dog that comes for the first time
    with an owner who was erased is nobody's dog either, from now on.
    """
    erased = read_erased(practice)
    if not erased:
        return {}
    known = {dog: erased.dog_id(dog) for dog in owners}
    new = {
        dog: new_id()
        for dog, owner in owners.items()
        if known[dog] is None and erased.holds_owner(owner)
    }
    if new:
        erased.add(next(reversed(erased.erasures)), practice.now, owners=[], dogs=new)
    hidden = {dog: dog_id for dog, dog_id in known.items() if dog_id is not None} | new
    add_unnamed(records, list(hidden.values()))
    frame = arriving.visits
    theirs = frame["patient"].isin(list(hidden))
    references = frame["reference"].where(~theirs, frame["reference"].map(erased.instead_of))
    arriving.visits = frame.assign(reference=references)
    if "note" in frame:
        arriving.visits["note"] = frame["note"].astype(object).mask(theirs, None)
    return hidden


def _homes(practice: Practice, arriving: Arriving, dog_ids: dict[str, str]) -> list[Values]:
    """Return where dogs are seen to live, from which visit on, as far as postcodes tell."""
    if arriving.layout is None:
        return []
    finder = HomeFinder(regions(practice).values(), practice.folder)
    seen = arriving.visits
    seen = seen.loc[(seen["patient"] != "") & (seen["postcode"] != "")]
    if seen.empty or not finder.tells_postcodes:
        return []
    found = {code: finder.of_postcode(code) for code in seen["postcode"].unique()}
    seen = seen.sort_values("date", kind="stable")
    days: list[date] = seen["date"].dt.date.tolist()
    lived: Iterable[tuple[str, date, Home]] = (
        (dog_ids[dog], day, found[code])
        for dog, day, code in zip(seen["patient"], days, seen["postcode"], strict=True)
    )
    return new_homes(lived)


class _Flip(NamedTuple):
    """Whether an import is held, and why a person looks at it, held or not."""

    held: tuple[str, ...]
    because: tuple[str, ...]
    way: _Way


def _flip(
    practice: Practice, records: Records, import_id: int, judged: _Judged, flip: _Flip
) -> bool:
    """Show or hold the import; first judge it anew if the definition was changed meanwhile."""
    kept = judged.kept
    while True:
        with records.writing() as connection:
            if kept is None or cases.is_in_force(connection, kept.id):
                state = HELD if flip.held else LIVE
                return import_records.flip(
                    connection, import_id, state, flip.because, replaces=flip.way.without
                )
        kept, definition = definition_to_judge_by(practice, records)
        judge(records, kept, definition, import_id=import_id)


def accept_import(practice: Practice, records: Records, import_id: int) -> None:
    """Take a held import as it is: its rows count from now on, judged by the definition in force.

    Raises
    ------
    RecordsError
        If there is no such import, or it is not held.
    """
    while True:
        kept, definition = definition_to_judge_by(practice, records)
        judge(records, kept, definition, import_id=import_id)
        with records.writing() as connection:
            if cases.is_in_force(connection, kept.id):
                import_records.accept(connection, import_id)
                return
