"""Visits as read from the practice's exports, each once, with what the case definition says."""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise
from typing import Any

import pandas as pd
from sqlalchemy import Select, Text, and_, cast, func, select

from forecast.records import tables
from forecast.records.bulk import Values, batches, insert_rows, new_ids
from forecast.records.cases import as_tuples, id_in_force, insert_cases
from forecast.records.engine import Records, RecordsError
from forecast.records.frames import frame
from forecast.records.imports import LIVE, VISITS, visible

_LISTS = ("items", "item_classes", "codes")
_OF_CASE = ("certainty", "exclusion", "evidence")
EVIDENCE = ("entered", "vet", *_LISTS, "note", *_OF_CASE, "unmapped", "layout")
_NAMES = {"branch_id": "branch", "dog_id": "dog", "entered_on": "entered"}
_INTO = (
    *("id", "import_id", "reference", "date", "branch_id", "dog_id", "kind"),
    *("vet", "entered_on", *_LISTS, "note", "layout", "unmapped", "minutes"),
)
VISIT_COLUMNS = _INTO[2:]
_MOST_NAMED = 5_000  # numbers in a query; beyond, all visits are read and sorted out here


def visits(
    records: Records,
    *,
    dog_id: str | None = None,
    more: Sequence[str] = (),
    without: int | None = None,
    references: Collection[str] | None = None,
) -> pd.DataFrame:
    """Return the live visits: reference, date, branch, dog, kind, and columns named in `more`.

    By day. Exports overlap, so a visit (branch and reference) may come several times: the newest
    counts. Two systems may both hold it, under numbers of their own: of visits that were read
    through a layout, a dog has one a day and branch, and the newest counts too. What came by an
    import is as new as its file; the import `without` is passed over. With `references`, only
    visits of those numbers are returned, whatever their branch.

    `kind` is what the file said, or else the verdict of the case definition in force. `more` may
    hold what `EVIDENCE` lists: entered (the day), vet, items, item_classes, codes (tuples), note
    (missing where none is kept), certainty, exclusion, evidence ("" where the file itself told the
    kind), unmapped, layout; and minutes, how long it took, not-a-number where nobody said.
    """
    query = _query(dog_id, {*more, "layout"})
    if without is not None:
        query = query.where(tables.visit.c.import_id != without)
    if _were_read_again(records):
        order = (tables.imported_file.c.imported_at, tables.visit.c.id)
        query = query.order_by(None).order_by(*order)
    if references is not None and len(references) <= _MOST_NAMED:
        query = query.where(tables.visit.c.reference.in_(references))
    found = frame(records, query, days=_days(more), numbers=_shares(more))
    if references is not None:
        found = found[found["reference"].isin(references)]
    _refuse_unjudged(found)
    found = found.rename(columns=_NAMES)
    found = found.drop_duplicates(["branch", "reference"], keep="last")
    gathered = found[found["layout"].notna() & found["dog"].notna()]
    again = gathered.duplicated(["branch", "dog", "date"], keep="last")
    found = found.drop(again.index[again])
    texts: dict[str | None, tuple[str, ...]] = {}
    for name in set(more) & set(_LISTS):
        found[name] = as_tuples(found[name].tolist(), texts)
    for name in set(more) & set(_OF_CASE):
        found[name] = found[name].fillna("")
    found = found.sort_values("date", kind="stable", ignore_index=True)
    return found[["reference", "date", "branch", "dog", "kind", *more]]


def visits_with_evidence(records: Records) -> pd.DataFrame:
    """Return the live visits with all that tells of them, and when each first came.

    Columns as `visits` gives them with everything in `EVIDENCE`, and `first_import`: the moment of
    the first live import that brought the visit (UTC, without offset).
    """
    found = visits(records, more=EVIDENCE)
    came = arrivals(records).groupby(["branch", "reference"], sort=False)["imported_at"].min()
    return found.join(came.rename("first_import"), on=["branch", "reference"])


def arrivals(records: Records) -> pd.DataFrame:
    """Return every coming of a live visit: import_id, imported_at, branch, reference, date."""
    visit, source = tables.visit, tables.imported_file
    query = select(
        visit.c.import_id, source.c.imported_at, visit.c.branch_id, visit.c.reference, visit.c.date
    )
    query = query.join_from(visit, source).where(source.c.state == LIVE).order_by(visit.c.id)
    found = frame(records, query).rename(columns=_NAMES)
    for name in ("imported_at", "date"):
        days = pd.to_datetime(found[name], utc=True)
        found[name] = days.dt.tz_localize(None).astype("datetime64[ns]")
    return found


def import_moments(records: Records, *, by_id: bool = False) -> list[datetime]:
    """Return when each live import of visits came, oldest first, or in the order of their ids."""
    table = tables.imported_file
    query = select(table.c.imported_at).where(table.c.state == LIVE, table.c.subject == VISITS)
    with records.reading() as connection:
        order = table.c.id if by_id else table.c.imported_at
        return list(connection.scalars(query.order_by(order)))


def _query(dog_id: str | None, more: set[str]) -> Select[Any]:
    visit, case = tables.visit, tables.visit_case
    columns: list[Any] = [visit.c[name] for name in ("reference", "date", "branch_id", "dog_id")]
    columns.append(func.coalesce(visit.c.kind, case.c.kind).label("kind"))
    for name in more:
        if name in _LISTS:
            columns.append(cast(visit.c[name], Text).label(name))
        elif name in _OF_CASE:
            columns.append(case.c[name])
        else:
            columns.append(visit.c["entered_on" if name == "entered" else name])
    told = and_(case.c.visit_id == visit.c.id, case.c.definition_id == id_in_force())
    query = visible(visit, *columns, also=(case, told))
    return query if dog_id is None else query.where(visit.c.dog_id == dog_id)


def _were_read_again(records: Records) -> bool:
    """Say whether an older file has newer rows, so that the order of rows is not that of files."""
    moments = import_moments(records, by_id=True)
    return any(later < earlier for earlier, later in pairwise(moments))


def _refuse_unjudged(found: pd.DataFrame) -> None:
    n_unjudged = int(found["kind"].isna().sum())
    if n_unjudged:
        raise RecordsError(
            f"{n_unjudged} visits have no verdict of the case definition in force; put a "
            "definition in force with `forepaw visits define`"
        )


def _days(more: Sequence[str]) -> tuple[str, ...]:
    return ("date", "entered_on") if "entered" in more else ("date",)


def _shares(more: Sequence[str]) -> tuple[str, ...]:
    return tuple(name for name in ("unmapped", "minutes") if name in more)


@dataclass(frozen=True)
class VisitRows:
    """Visits on their way into the table: values of `VISIT_COLUMNS`, and the verdicts on them.

    `verdicts` (values of `CASE_COLUMNS`) go with `rows`, and are those of one definition; both are
    None where the file itself told the kinds.
    """

    rows: list[Values]
    verdicts: list[Values] | None = None
    definition_id: int | None = None


def add_visits(
    records: Records,
    import_id: int,
    found: VisitRows,
    *,
    tell: Callable[[int], None] | None = None,
) -> None:
    """Add visits and the verdicts on them under a pending import, a transaction a batch.

    In the order of their dogs, as the index of dogs then grows in one place at a time. `tell`
    hears how many came in each time.
    """
    at_dog = VISIT_COLUMNS.index("dog_id")
    order = sorted(range(len(found.rows)), key=lambda place: found.rows[place][at_dog] or "")
    for places in batches(order):
        rows = [found.rows[place] for place in places]
        verdicts = [] if found.verdicts is None else [found.verdicts[at] for at in places]
        with records.writing() as connection:
            ids = new_ids(connection, tables.visit, len(rows))
            keyed = [(new, import_id, *row) for new, row in zip(ids, rows, strict=True)]
            insert_rows(connection, tables.visit, _INTO, keyed)
            if found.definition_id is not None:
                insert_cases(connection, found.definition_id, ids, verdicts)
        if tell is not None:
            tell(len(rows))


def add_homes(
    records: Records,
    import_id: int,
    homes: Sequence[Values],
    *,
    tell: Callable[[int], None] | None = None,
) -> None:
    """Add homes (dog, place, region, from which day) under a pending import."""
    columns = ("import_id", "dog_id", "place", "region_id", "from_date")
    for part in batches(homes):
        with records.writing() as connection:
            insert_rows(connection, tables.home, columns, [(import_id, *home) for home in part])
        if tell is not None:
            tell(len(part))
