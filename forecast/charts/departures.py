"""Departures: one row a part of a forecast, bars up for more flares than usual, down for fewer."""

from __future__ import annotations

from typing import Any

import altair as alt
import pandas as pd

from forecast.charts import strips, theme
from forecast.explaining import change_in_words

COLUMNS = ("part", "change")
FIGURE = "what moves the forecast"
BARS = 20  # pixels from the lowest end of any bar to the highest
LEAST_SPAN = 0.1  # log units that these stand for at least: small things stay small


def departure_chart(
    frame: pd.DataFrame,
    *,
    title: str,
    source: str,
    note: str | None = theme.INVENTED,
    since: pd.Timestamp | None = None,
    width: int = theme.WIDTH,
    hover: bool = False,
) -> alt.VConcatChart:
    """Draw how far each part moves each week.

    `frame` has a row a week and part: `week` (a Monday), `part` (its name in words) and `change`
    (on the log scale); the first part, drawn darker, is what the others add up to. The axis begins
    with the week `since`, as those of the figures above it do; until the forecast it stays empty.
    """
    told = theme.checked_weeks(frame, COLUMNS, FIGURE)
    weeks = told if since is None else pd.date_range(since, told[-1], freq="7D")
    parts = list(dict.fromkeys(frame["part"]))
    cells = _cells(frame, parts)
    scale = theme.week_scale(weeks)
    plot = alt.layer(
        _zero_lines(weeks, len(parts), width),
        *(_bars(scale, len(parts), whole=whole) for whole in (True, False)),
        *strips.name_layers(len(parts)),
        *(strips.edge_layers(scale) if len(weeks) > len(told) else []),
        *([strips.hover_layer(weeks, len(parts))] if hover else []),
    ).properties(width=width, height=strips.plot_height(len(parts)))
    return theme.themed(
        alt.vconcat(plot),
        title=title,
        notes=(source, key_of(frame), note or ""),
        description=departure_text(frame, title=title, note=note),
        rows={
            "cells": theme.rows_for_chart(cells),
            "zero": _zero_rows(cells, told),
            "edge": [{"edge": theme.instant(told[0] - theme.HALF_WEEK)}],
            "strips": strips.named_rows({part: _range(frame, part) for part in parts}),
        },
    )


def key_of(frame: pd.DataFrame) -> str:
    """Say how the bars are to be read."""
    longest = float(frame["change"].iloc[int(frame["change"].abs().argmax())])
    return (
        "Bars up: more flares than usual in that week; down: fewer. All rows have one scale, on "
        f"which they add up to the first; the longest bar is {change_in_words(longest)}."
    )


def departure_text(frame: pd.DataFrame, *, title: str, note: str | None = None) -> str:
    """Say in words what the figure shows, for those who do not see it."""
    weeks = pd.to_datetime(frame["week"])
    parts = [title, "One row a part, weeks of "]
    parts[-1] += f"{theme.words_of(weeks.min())} to {theme.words_of(weeks.max())}."
    for part in dict.fromkeys(frame["part"]):
        own = frame[frame["part"] == part]
        most = own.loc[own["change"].abs().idxmax()]
        when = theme.words_of(pd.Timestamp(most["week"]))
        parts.append(f"{part}: {_range(frame, part)}, most in the week of {when}.")
    return " ".join([*parts, *([note] if note else [])])


def _range(frame: pd.DataFrame, part: str) -> str:
    own = frame.loc[frame["part"] == part, "change"]
    low, high = change_in_words(own.min()), change_in_words(own.max())
    return low if low == high else f"{low} to {high}"


def _cells(frame: pd.DataFrame, parts: list[str]) -> pd.DataFrame:
    cells = strips.placed(frame.reset_index(drop=True), by="part", order=parts)
    low, high = min(float(frame["change"].min()), 0.0), max(float(frame["change"].max()), 0.0)
    pixels = BARS / max(high - low, LEAST_SPAN)
    row = cells["top"] + (BARS if high > low else BARS / 2)
    cells["zero"] = row + low * pixels
    cells["tip"] = cells["zero"] - cells["change"] * pixels
    cells["whole"] = cells["part"] == parts[0]
    cells["said"] = [
        f"{part}, week of {theme.words_of(week)}: {change_in_words(change)}."
        for part, week, change in zip(
            cells["part"], pd.to_datetime(cells["week"]), cells["change"], strict=True
        )
    ]
    return cells


def _bars(scale: alt.Scale, n_parts: int, *, whole: bool) -> alt.Chart:
    base = alt.Chart(alt.NamedData(name="cells")).transform_filter(
        "datum.whole" if whole else "!datum.whole"
    )
    mark = base.mark_rect(color=theme.INK if whole else theme.FORECAST, xOffset=0.5, x2Offset=-0.5)
    bars: alt.Chart = mark.encode(
        x=alt.X("from:T", scale=scale),
        x2="to:T",
        y=strips.down("zero", n_parts),
        y2="tip:Q",
    )
    return bars


def _zero_rows(cells: pd.DataFrame, weeks: pd.DatetimeIndex) -> list[dict[str, Any]]:
    ends = {
        "from": theme.instant(weeks[0] - theme.HALF_WEEK),
        "to": theme.instant(weeks[-1] + theme.HALF_WEEK),
    }
    return [ends | {"line": float(line)} for line in cells["zero"].unique()]


def _zero_lines(weeks: pd.DatetimeIndex, n_parts: int, width: int) -> alt.Chart:
    base = alt.Chart(alt.NamedData(name="zero")).mark_rule(color=theme.AXIS, strokeWidth=1)
    x = alt.X("from:T", scale=theme.week_scale(weeks), axis=theme.week_axis(weeks, width))
    lines: alt.Chart = base.encode(x=x, x2="to:T", y=strips.down("line", n_parts))
    return lines
