"""What is printed of how forecasts did: the record of the issued ones, and a replay."""

from __future__ import annotations

from collections import Counter

import numpy as np

from forecast.practice import Practice
from forecast.replaying import record_of
from forecast.skill import SkillRecord
from jobs.console import console, heading, new_table, paragraph, print_table
from jobs.replay import ReplayDone


def show_skill(record: SkillRecord) -> None:
    """Print a record: its sentence, and how it comes about by lead."""
    paragraph(record.sentence)
    if record.first is None:
        return
    table = new_table(
        "weeks ahead",
        "weeks scored",
        "error against climatology",
        "9 in 10 between",
        "50 % band held",
        "90 % band held",
    )
    for row in record.by_lead.to_dict("records"):
        known = bool(np.isfinite(row["low"]))
        table.add_row(
            str(row["lead"]),
            str(row["cases"]),
            f"{row['relative']:.2f}",
            f"{row['low']:.2f}-{row['high']:.2f}" if known else "one season",
            f"{100 * row['cover_50']:.0f} %",
            f"{100 * row['cover_90']:.0f} %",
        )
    print_table(table)


def show_replay(practice: Practice, done: ReplayDone) -> None:
    """Print what came of a replay: what was made again, what differs, and how both kinds did."""
    heading("What was replayed")
    many: Counter[tuple[str, str]] = Counter((one.kind, one.outcome) for one in done.days)
    table = new_table("", "days")
    for words, kind, outcome in (
        ("issues made again, the same bit for bit", "issued", "the same"),
        ("issues made again, different", "issued", "different"),
        ("issues that cannot be made again", "issued", "not possible"),
        ("hindcasts, where nothing was issued", "hindcast", "hindcast"),
        ("days without enough data for a hindcast", "hindcast", "not possible"),
    ):
        if many[kind, outcome]:
            table.add_row(words, str(many[kind, outcome]))
    print_table(table)
    for one in done.days:
        if one.outcome in ("different", "not possible") or one.changed:
            paragraph(f"{one.day}: {one.sentence}")
    seed = practice.settings.forecast.seed
    heading("How the issued forecasts did")
    show_skill(record_of(done.days, kind="issued", seed=seed))
    heading("How the hindcasts did: made now, with the settings of today, never acted on")
    show_skill(record_of(done.days, kind="hindcast", seed=seed))
    heading("Written to")
    console.print(f"  {done.files[0].parent}", soft_wrap=True)
    paragraph(", ".join(path.name for path in done.files))
