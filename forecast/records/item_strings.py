"""The practice's item strings as its visits hold them: how often each, and by which imports."""

from __future__ import annotations

import json
from collections import Counter

from sqlalchemy import Text, cast, func, select

from forecast.records import tables
from forecast.records.engine import Records
from forecast.records.imports import HELD, LIVE


def item_counts(records: Records, layout: str) -> dict[str, int]:
    """Return the item strings of visits that were read through a layout, the most frequent first.

    Of each the visits that hold it, as each live import has them.
    """
    visit, source = tables.visit, tables.imported_file
    items = cast(visit.c["items"], Text)
    query = select(items, func.count()).join_from(visit, source)
    query = query.where(source.c.state == LIVE, visit.c.layout == layout).group_by(items)
    counts: Counter[str] = Counter()
    with records.reading() as connection:
        for text, n_visits in connection.execute(query):
            for item in json.loads(text or "[]") or ():
                counts[item] += n_visits
    return dict(sorted(counts.items(), key=lambda one: (-one[1], one[0])))


def imports_through(records: Records, layout: str) -> list[int]:
    """Return the imports that were read through a layout and count, or are held, oldest first."""
    visit, source = tables.visit, tables.imported_file
    query = select(source.c.id).where(
        source.c.state.in_((LIVE, HELD)),
        select(visit.c.id)
        .where(visit.c.import_id == source.c.id, visit.c.layout == layout)
        .exists(),
    )
    with records.reading() as connection:
        order = (source.c.imported_at, source.c.id)
        return list(connection.scalars(query.order_by(*order)))
