"""What is printed of how forecasts did: the record of the issued ones, and a replay."""

from __future__ import annotations

from collections import Counter
from collections.abc import Hashable
from typing import Any

import numpy as np
import pandas as pd

from forecast.practice import Practice
from forecast.replaying import record_of
from forecast.skill import SkillRecord, seasons_needed
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
        "seasons",
        "50 % band held",
        "9 in 10 between",
        "90 % band held",
        "9 in 10 between",
    )
    for row in record.by_lead.to_dict("records"):
        table.add_row(
            str(row["lead"]),
            str(row["cases"]),
            _number(row["relative"]),
            _span(row["low"], row["high"], "one season"),
            str(row["seasons"]),
            *_coverage(row, 50),
            *_coverage(row, 90),
        )
    print_table(table)


def show_backtest(scores: pd.DataFrame, *, seed: int) -> None:
    """Print how forecasts from past origins did against each reference, and what that says."""
    from models.backtest import compare

    if scores.empty:
        paragraph("No past origin has enough visits before it and weeks after it to be scored.")
        return
    references = ("climatology", "trend-climatology", "last season", "last value")
    against = {
        name: compare(scores, model="forepaw", reference=name, seed=seed) for name in references
    }
    first = against["climatology"]
    heading("Error of the forecasts relative to four that cost nothing; below 1 is better")
    table = new_table("weeks ahead", "weeks scored", *references, "9 in 10 between", "p")
    for at, row in enumerate(first.to_dict("records")):
        relative = [_number(found["relative"].iloc[at]) for found in against.values()]
        span = _span(row["low"], row["high"], "one season")
        p_value = _number(row["p_value"], digits=3)
        table.add_row(str(row["lead"]), str(row["cases"]), *relative, span, p_value)
    print_table(table)
    paragraph(
        "The span, drawn from whole seasons, and p (Diebold-Mariano with the small-sample "
        "correction) are against climatology."
    )
    heading("How often the bands held what came")
    table = new_table("weeks ahead", "50 % band", "9 in 10 between", "90 % band", "9 in 10 between")
    for row in first.to_dict("records"):
        cells = [str(row["lead"])]
        for level in (50, 90):
            cells.append(_share(row[f"cover_{level}"]))
            low, high = 100 * row[f"low_{level}"], 100 * row[f"high_{level}"]
            cells.append(_span(low, high, "one season", digits=0))
        table.add_row(*cells)
    print_table(table)
    paragraph(_what_it_says(first.iloc[-1]))


def _coverage(row: dict[Hashable, Any], level: int) -> tuple[str, str]:
    low, high = (100 * float(row[f"cover_{level}_{end}"]) for end in ("low", "high"))
    held = _share(float(row[f"cover_{level}"]))
    return held, _span(low, high, "one season", digits=0)


def _span(low: float, high: float, unknown: str, *, digits: int = 2) -> str:
    return f"{low:.{digits}f}-{high:.{digits}f}" if np.isfinite(low) else unknown


def _number(value: float, *, digits: int = 2) -> str:
    """Write a number: no ratio is known without a case, no p of few origins."""
    return f"{value:.{digits}f}" if np.isfinite(value) else "not known"


def _share(value: float) -> str:
    return f"{100 * value:.0f} %" if np.isfinite(value) else "not known"


def _what_it_says(over_all: pd.Series) -> str:
    """Say whether the forecasts are better than climatology: only an interval below one says so."""
    seasons = int(over_all["seasons"])
    if seasons < seasons_needed():
        return (
            f"Skill not yet known: {seasons} of the {seasons_needed()} seasons it takes are scored."
        )
    if over_all["high"] < 1.0:
        return f"Better than climatology over {seasons} seasons: the whole span lies below 1."
    if over_all["low"] > 1.0:
        return f"Worse than climatology over {seasons} seasons: the whole span lies above 1."
    return f"No better than climatology as far as {seasons} seasons tell: the span holds 1."


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
