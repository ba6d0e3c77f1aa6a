"""What `forepaw import list` prints."""

from __future__ import annotations

from collections.abc import Sequence

from forecast.practice import Practice
from forecast.records.imports import HELD, UNDONE, ImportedFile
from jobs.console import console, new_table, paragraph, print_table


def show_imports(practice: Practice, imports: Sequence[ImportedFile]) -> None:
    """Print the imports, oldest first; those held with the reason and what to do."""
    if not imports:
        paragraph("Nothing was imported yet.")
        return
    table = new_table("no.", "came on", "what", "rows", "from", "to", "state", "file")
    for name in (0, 3):
        table.columns[name].justify = "right"
    for column in table.columns[:-1]:  # only the name of a file may take several lines
        column.no_wrap = True
    for one in imports:
        days = (str(one.first_date or ""), str(one.last_date or ""))
        came = str(practice.day_of(one.imported_at))
        style = {HELD: "bold", UNDONE: "dim"}.get(one.state)
        numbers = (str(one.id), came, one.subject, f"{one.n_rows:,}")
        table.add_row(*numbers, *days, one.state, one.file_name, style=style)
    print_table(table)
    for one in imports:
        if one.state != HELD:
            continue
        console.print()
        paragraph(f"Import {one.id} is held, and nothing is learnt from it until you answer:")
        for reason in one.held_because:
            paragraph(f"- {reason}")
        paragraph(
            f"`forepaw import accept {one.id}` takes it as it is; `forepaw import again {one.id}` "
            "reads it anew, if its layout was changed; "
            f"`forepaw import undo {one.id}` takes it back."
        )


def say_held(imports: Sequence[ImportedFile]) -> None:
    """Say which imports are held, so that nothing of them is in what was shown."""
    held = [str(one.id) for one in imports if one.state == HELD]
    if held:
        paragraph(
            f"Not counted: what is held until you answer (import {', '.join(held)}); see `forepaw "
            "import list`."
        )
