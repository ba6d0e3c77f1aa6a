"""What the models reached on real data: results kept as JSON, and the page made from them.

Each validation keeps its result with `keep`; ``python tests/validation/record.py`` writes
``models/RECORD.md`` from all that are kept.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

RESULTS = Path(__file__).with_name("results")
PAGE = Path(__file__).parents[2] / "models" / "RECORD.md"
COMMAND = "python tests/validation/record.py"


def keep(
    name: str, *, title: str, about: str, tables: list[dict[str, Any]], notes: list[str]
) -> None:
    """Keep one validation's result.

    Parameters
    ----------
    name
        Of the file; pages list results by it.
    title, about
        Heading, and what was done, on which data, by which command.
    tables
        Each with ``title``, ``columns`` and ``rows`` (lists of words and numbers).
    notes
        What a reader must know: what was missed and why, every scoring of the test span.
    """
    RESULTS.mkdir(exist_ok=True)
    kept = {"title": title, "about": about, "tables": tables, "notes": notes}
    text = json.dumps(kept, indent=1, ensure_ascii=False)
    (RESULTS / f"{name}.json").write_text(text + "\n", encoding="utf-8")


def text_table(table: dict[str, Any]) -> str:
    """Return one table as text of aligned columns, which Markdown reads as a table."""
    lines = [table["columns"], *table["rows"]]
    cells = [[_cell(value) for value in line] for line in lines]
    width = [max(map(len, column)) for column in zip(*cells, strict=True)]
    laid = [
        "| " + " | ".join(c.ljust(w) for c, w in zip(row, width, strict=True)) + " |"
        for row in cells
    ]
    rule = "|" + "|".join("-" * (w + 2) for w in width) + "|"
    return "\n".join([f"### {table['title']}", "", laid[0], rule, *laid[1:]])


def page() -> str:
    """Return the page made from every result that is kept."""
    parts = [
        "# Record: what the models reached on real data",
        f"Made by `{COMMAND}` from the results that `pytest -m validation` keeps; "
        "not written by hand.",
    ]
    for file in sorted(RESULTS.glob("*.json")):
        result = json.loads(file.read_text(encoding="utf-8"))
        parts += [f"## {result['title']}", result["about"]]
        parts += [text_table(table) for table in result["tables"]]
        parts += ["\n".join(f"- {note}" for note in result["notes"])] if result["notes"] else []
    return "\n\n".join(parts) + "\n"


def _cell(value: Any) -> str:
    return f"{value:.2f}" if isinstance(value, float) else str(value)


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8")
    print(f"written: {PAGE}")
