"""Strips: one a row, weeks from left to right, its name and a few words above it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import altair as alt
import pandas as pd

from forecast.charts import theme

WORDS, STRIP, STEP = 18, 20, 44  # heights: of the words above a strip, of it, of both and a gap
AHEAD = "forecast →"


def placed(rows: pd.DataFrame, *, by: str, order: Sequence[str]) -> pd.DataFrame:
    """Return rows, each with the edges of its week and of its strip; `order` is top to bottom."""
    weeks = pd.to_datetime(rows["week"])
    top = rows[by].map({name: at * STEP + WORDS for at, name in enumerate(order)}).astype(float)
    return rows.assign(
        **{"from": weeks - theme.HALF_WEEK, "to": weeks + theme.HALF_WEEK},
        top=top,
        bottom=top + STRIP,
        middle=top + STRIP / 2,
    )


def named_rows(words: Mapping[str, str]) -> list[dict[str, object]]:
    """Return the strips' names and the words at their right, top to bottom."""
    return [
        {"name": name, "words": said, "line": at * STEP + WORDS / 2}
        for at, (name, said) in enumerate(words.items())
    ]


def plot_height(n_strips: int) -> int:
    """Return the height of a plot of so many strips."""
    return n_strips * STEP


def down(field: str, n_strips: int) -> alt.Y:
    """Return the place of a field down the plot, in pixels from its top."""
    scale = alt.Scale(domain=[plot_height(n_strips), 0], nice=False, zero=False)
    return alt.Y(f"{field}:Q", scale=scale, axis=theme.blank_margin())


def cell_layers(
    weeks: pd.DatetimeIndex, shade: alt.Color, *, value: str, n_strips: int, width: int
) -> list[alt.Chart]:
    """Draw the cells of rows `cells`, shaded by a field; a cross where it is not known."""
    base = alt.Chart(alt.NamedData(name="cells"))
    scale = theme.week_scale(weeks)
    x = alt.X("from:T", scale=scale, axis=theme.week_axis(weeks, width))
    known = (
        base.transform_filter(f"isValid(datum.{value})")
        .mark_rect(stroke=theme.PAPER, strokeWidth=1)
        .encode(x=x, x2="to:T", y=down("top", n_strips), y2="bottom:Q", color=shade)
    )
    unknown = (
        base.transform_filter(f"!isValid(datum.{value})")
        .mark_text(text=theme.NOT_KNOWN, color=theme.MUTED, fontSize=12)
        .encode(x=alt.X("week:T", scale=scale), y=down("middle", n_strips))
    )
    return [known, unknown]


def name_layers(n_strips: int) -> list[alt.Chart]:
    """Write the name of each strip above it at the left, its words at the right: rows `strips`."""
    base = alt.Chart(alt.NamedData(name="strips")).encode(y=down("line", n_strips))
    style: dict[str, Any] = {"baseline": "middle", "color": theme.INK}
    names = base.mark_text(align="left", fontSize=theme.SIZE_TEXT, fontWeight=600, **style)
    words = base.mark_text(align="right", fontSize=theme.SIZE_SMALL, **style)
    right_end = alt.XValue("width")  # type: ignore[no-untyped-call]
    left_end = alt.XValue(0)  # type: ignore[no-untyped-call]
    return [names.encode(x=left_end, text="name:N"), words.encode(x=right_end, text="words:N")]


def edge_layers(scale: alt.Scale) -> list[alt.Chart]:
    """Draw the line between what was and what is forecast: rows `edge`."""
    base = alt.Chart(alt.NamedData(name="edge")).encode(x=alt.X("edge:T", scale=scale))
    words = base.mark_text(
        text=AHEAD, align="left", dx=5, color=theme.INK, fontSize=theme.SIZE_SMALL
    )
    rule = base.mark_rule(color=theme.INK, strokeWidth=1)
    return [rule, words.encode(y=theme.at_height(-9))]


def hover_layer(weeks: pd.DatetimeIndex, n_strips: int) -> alt.Chart:
    """Return what lies over the cells, unseen, to tell each in a sentence: their `said`."""
    base = alt.Chart(alt.NamedData(name="cells")).mark_rect(color=theme.INK, opacity=0)
    x = alt.X("from:T", scale=theme.week_scale(weeks))
    layer: alt.Chart = base.encode(
        x=x, x2="to:T", y=down("top", n_strips), y2="bottom:Q", tooltip="said:N"
    )
    return layer


def legend(title: str, count: int = 3) -> alt.Legend:
    """Return the legend of a shade of shares, below the plot."""
    return alt.Legend(
        title=title,
        orient="bottom",
        direction="horizontal",
        labelExpr=theme.per_cent("datum.value"),
        gradientLength=160,
        gradientThickness=10,
        titleOrient="top",
        titleLimit=360,
        tickCount=count,
        offset=14,
    )
