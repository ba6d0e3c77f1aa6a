"""Case definitions as the practice keeps them, and what each of them said of every visit.

Verdicts are added, never changed: a new definition judges all visits anew, and takes the place of
the one before by one flip. A visit whose note was forgotten keeps the verdict it had when the note
could be read.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import pandas as pd
from sqlalchemy import Connection, ScalarSelect, Select, Text, cast, func, select, update

from forecast.records import tables
from forecast.records.bulk import Values, batches, insert_rows
from forecast.records.engine import Records
from forecast.records.frames import frame

CASE_COLUMNS = ("certainty", "exclusion", "evidence", "kind")
_INTO = ("visit_id", "definition_id", *CASE_COLUMNS)
_VISITS_PER_READING = 50_000


@dataclass(frozen=True)
class KeptDefinition:
    """A case definition as it is kept: its text, its version, and whether it is in force."""

    id: int
    version: str
    text: str
    made_at: datetime
    in_force: bool


def definitions(records: Records) -> list[KeptDefinition]:
    """Return every definition that was ever kept, oldest first."""
    table = tables.case_definition
    with records.reading() as connection:
        rows = connection.execute(select(table).order_by(table.c.id))
        return [KeptDefinition(**row._mapping) for row in rows]


def definition_in_force(records: Records) -> KeptDefinition | None:
    """Return the definition by which visits are counted; None where none was kept yet."""
    with records.reading() as connection:
        return _in_force(connection)


def _in_force(connection: Connection) -> KeptDefinition | None:
    table = tables.case_definition
    row = connection.execute(select(table).where(table.c.in_force)).first()
    return None if row is None else KeptDefinition(**row._mapping)


def id_in_force() -> ScalarSelect[int]:
    """Select the id of the definition in force, for use in a query."""
    table = tables.case_definition
    return select(table.c.id).where(table.c.in_force).scalar_subquery()


def keep_definition(records: Records, version: str, text: str, *, at: datetime) -> KeptDefinition:
    """Keep a definition, once; the first of all is in force at once, as nothing else is."""
    table = tables.case_definition
    with records.writing() as connection:
        row = connection.execute(select(table).where(table.c.version == version)).first()
        if row is None:
            first = _in_force(connection) is None
            values = {"version": version, "text": text, "made_at": at, "in_force": first}
            connection.execute(table.insert().values(values))
            row = connection.execute(select(table).where(table.c.version == version)).one()
    return KeptDefinition(**row._mapping)


def put_in_force(records: Records, definition: KeptDefinition, *, judged_to: int) -> bool:
    """Flip the definition that counts; False where visits came in after the last judged one.

    `judged_to` is the id up to which all visits were judged, see `newest_visit`.
    """
    table = tables.case_definition
    with records.writing() as connection:
        if _newest_visit(connection) > judged_to:
            return False
        connection.execute(update(table).where(table.c.in_force).values(in_force=False))
        connection.execute(update(table).where(table.c.id == definition.id).values(in_force=True))
    return True


def is_in_force(connection: Connection, definition_id: int) -> bool:
    """Say, within a transaction, whether a definition is still the one in force."""
    kept = _in_force(connection)
    return kept is not None and kept.id == definition_id


def newest_visit(records: Records) -> int:
    """Return the highest id that any visit has, seen or not; 0 where there is none."""
    with records.reading() as connection:
        return _newest_visit(connection)


def _newest_visit(connection: Connection) -> int:
    return connection.scalar(select(func.max(tables.visit.c.id))) or 0


def unjudged(
    records: Records, definition_id: int, *, import_id: int | None = None
) -> Iterator[pd.DataFrame]:
    """Yield the visits that a definition has not judged yet, many at a time.

    Those that came with a kind of their own need no verdict. Index: visit id. Columns as
    `classify` wants them: patient (the random id, "" where there is none), item_classes, codes,
    note (missing where it was forgotten).
    """
    last = 0
    while True:
        with records.reading() as connection:
            rows = connection.execute(_unjudged(definition_id, import_id, last)).all()
        if not rows:
            return
        last = rows[-1].id
        yield _to_judge(rows)


def _unjudged(definition_id: int, import_id: int | None, last: int) -> Select[Any]:
    visit, case = tables.visit, tables.visit_case
    told = (case.c.visit_id == visit.c.id) & (case.c.definition_id == definition_id)
    columns = (visit.c.id, visit.c.dog_id, visit.c.note)
    lists = (cast(visit.c[name], Text).label(name) for name in ("item_classes", "codes"))
    query = select(*columns, *lists).outerjoin(case, told)
    query = query.where(visit.c.kind.is_(None), case.c.visit_id.is_(None), visit.c.id > last)
    if import_id is not None:
        query = query.where(visit.c.import_id == import_id)
    return query.order_by(visit.c.id).limit(_VISITS_PER_READING)


def n_unjudged(records: Records, definition_id: int) -> int:
    """Return how many visits a definition has still to judge."""
    query = _unjudged(definition_id, None, 0).order_by(None).limit(None).subquery()
    with records.reading() as connection:
        return connection.scalar(select(func.count()).select_from(query)) or 0


def _to_judge(rows: Sequence[Any]) -> pd.DataFrame:
    texts: dict[str | None, tuple[str, ...]] = {}
    return pd.DataFrame(
        {
            "patient": [row.dog_id or "" for row in rows],
            "item_classes": as_tuples([row.item_classes for row in rows], texts),
            "codes": as_tuples([row.codes for row in rows], texts),
            "note": pd.Series([row.note for row in rows], dtype=object),
        }
    ).set_axis([row.id for row in rows], axis=0)


def as_tuples(
    texts: Sequence[str | None], known: dict[str | None, tuple[str, ...]]
) -> list[tuple[str, ...]]:
    """Return lists that are kept as text; each distinct one is read once."""
    for text in set(texts) - set(known):
        known[text] = tuple(json.loads(text)) if text is not None else ()
    return [known[text] for text in texts]


def add_cases(records: Records, definition_id: int, cases: pd.DataFrame) -> None:
    """Add verdicts: index visit id, columns certainty, exclusion, evidence, kind."""
    verdicts = case_values(cases)
    for part in batches(list(zip(cases.index.tolist(), verdicts, strict=True))):
        ids, values = zip(*part, strict=True)
        with records.writing() as connection:
            insert_cases(connection, definition_id, ids, values, unless_there=True)


def case_values(cases: pd.DataFrame) -> list[Values]:
    """Return the verdicts of a frame as values of `CASE_COLUMNS`."""
    return list(zip(*(cases[name].tolist() for name in CASE_COLUMNS), strict=True))


def insert_cases(
    connection: Connection,
    definition_id: int,
    visit_ids: Sequence[int],
    verdicts: Sequence[Values],
    *,
    unless_there: bool = False,
) -> None:
    """Insert verdicts on visits within a transaction that the caller holds."""
    rows = [
        (visit_id, definition_id, *verdict)
        for visit_id, verdict in zip(visit_ids, verdicts, strict=True)
    ]
    insert_rows(connection, tables.visit_case, _INTO, rows, unless_there=unless_there)


def earlier_cases(records: Records, visit_ids: Sequence[int]) -> pd.DataFrame:
    """Return the last verdict that any definition gave on each visit that has one."""
    found: dict[int, tuple[str, ...]] = {}
    case = tables.visit_case
    columns = [case.c[name] for name in CASE_COLUMNS]
    with records.reading() as connection:
        for part in batches(visit_ids):
            query = select(case.c.visit_id, *columns).where(case.c.visit_id.in_(part))
            for row in connection.execute(query.order_by(case.c.definition_id)):
                found[row[0]] = tuple(row[1:])
    return pd.DataFrame(
        list(found.values()), index=list(found), columns=list(CASE_COLUMNS), dtype="str"
    )


def kinds_changed(records: Records, before: int, after: int) -> pd.DataFrame:
    """Return how many visits have which kind under two definitions: before, after, visits."""
    one, other = tables.visit_case.alias(), tables.visit_case.alias()
    both = one.join(other, one.c.visit_id == other.c.visit_id)
    kinds = (one.c.kind.label("before"), other.c.kind.label("after"))
    query = (
        select(*kinds, func.count().label("visits"))
        .select_from(both)
        .where(one.c.definition_id == before, other.c.definition_id == after)
        .group_by(one.c.kind, other.c.kind)
    )
    return frame(records, query).sort_values(["before", "after"], ignore_index=True)
