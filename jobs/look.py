"""Looking at an export on behalf of a practice; a proposed layout is kept for editing."""

from __future__ import annotations

from pathlib import Path

from forecast.csv_files import read_bytes
from forecast.practice import Practice
from forecast.records import open_records
from forecast.records.branches import branches
from forecast.visits.exports.layout import (
    free_layout_file,
    layout_called,
    load_layouts,
    save_layout,
)
from forecast.visits.exports.looking import Look, look


def look_at_file(
    practice: Practice, file: Path, *, layout: str | None = None
) -> tuple[Look, Path | None]:
    """Look at an export; where no layout fits, keep the proposed one and return its path.

    Nothing else is written. `layout` names the one to read it through, where several fit.
    """
    content, name = read_bytes(file)
    layouts = load_layouts(practice.layouts_folder)
    if layout is not None:
        layouts = [layout_called(layouts, layout)]
    records = open_records(practice)
    try:
        names = {branch.id: branch.name for branch in branches(records).values()}
    finally:
        records.close()
    path = free_layout_file(practice.layouts_folder, name)
    seen = look(
        content,
        name,
        layouts=layouts,
        branches=names,
        today=practice.today,
        proposal_file=f"{path.parent.name}/{path.name}",
    )
    if not seen.is_proposed or seen.layout is None:
        return seen, None
    save_layout(path, seen.layout.text)
    return seen, path
