"""Looking at an export on behalf of a practice; a proposed layout is kept for editing."""

from __future__ import annotations

from pathlib import Path

from forecast.csv_files import read_bytes
from forecast.practice import Practice
from forecast.records import open_records
from forecast.records.branches import branches
from forecast.records.engine import Records
from forecast.visits.exports.layout import (
    free_layout_file,
    layout_called,
    load_layouts,
    save_layout,
)
from forecast.visits.exports.looking import Look, look


def look_at_content(
    practice: Practice, records: Records, content: bytes, name: str, *, layout: str | None = None
) -> tuple[Look, Path]:
    """Look at an export; return also where a layout that is proposed would be kept.

    Nothing is written. `layout` names the one to read it through, where several fit.
    """
    layouts = load_layouts(practice.layouts_folder)
    if layout:
        layouts = [layout_called(layouts, layout)]
    names = {branch.id: branch.name for branch in branches(records).values()}
    path = free_layout_file(practice.layouts_folder, name)
    seen = look(
        content,
        name,
        layouts=layouts,
        branches=names,
        today=practice.today,
        proposal_file=f"{path.parent.name}/{path.name}",
    )
    return seen, path


def look_at_file(
    practice: Practice, file: Path, *, layout: str | None = None
) -> tuple[Look, Path | None]:
    """Look at an export; where no layout fits, keep the proposed one and return its path.

    Nothing else is written. `layout` names the one to read it through, where several fit.
    """
    content, name = read_bytes(file)
    records = open_records(practice)
    try:
        seen, path = look_at_content(practice, records, content, name, layout=layout)
    finally:
        records.close()
    if not seen.is_proposed or seen.layout is None:
        return seen, None
    save_layout(path, seen.layout.text)
    return seen, path
