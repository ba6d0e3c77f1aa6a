"""The season: one strip a region, the odds of a high week from left to right, darker for more."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import altair as alt
import pandas as pd

from forecast.charts import strips, theme

COLUMNS = ("region", "odds", "was_high", "likely")
FIGURE = "the season of all regions"
LIKELY_MARK = {"shape": "triangle-up", "color": theme.SHADE_INK}
HIGH_MARK = {"shape": "circle", "color": theme.INK}
KEY = "▲ likely a high week; before the line, ● a week that was high."
UNKNOWN = f"{theme.NOT_KNOWN} marks weeks that are not known."


def season_chart(
    frame: pd.DataFrame,
    *,
    words: Mapping[str, str],
    title: str,
    source: str,
    issued: pd.Timestamp,
    note: str | None = theme.INVENTED,
    width: int = theme.WIDTH,
    hover: bool = False,
) -> alt.VConcatChart:
    """Draw the odds of a high week by region and week.

    `frame` has a row a region and week: `week` (a Monday), `region` (its name in words), `odds` of
    a high week (0 to 1; empty where past or not known), `was_high` (past weeks: true, false or
    empty where not known) and `likely` (true where the forecast calls the week so). `words` gives
    the regions from top to bottom and what stands beside each. `issued` is the first week of the
    forecast.
    """
    weeks = theme.checked_weeks(frame, COLUMNS, FIGURE)
    _check_odds(frame)
    n_strips, size = len(words), 12 if theme.is_narrow(width) else 26
    scale = theme.week_scale(weeks)
    cells = _cells(frame, list(words), issued)
    unknown = cells["shade"].isna().any()
    plot = alt.layer(
        *strips.cell_layers(weeks, _shade(), value="shade", n_strips=n_strips, width=width),
        _marks(scale, n_strips, when="datum.likely", size=size, **LIKELY_MARK),
        _marks(scale, n_strips, when="datum.was_high === true", size=size, **HIGH_MARK),
        *strips.name_layers(n_strips),
        *strips.edge_layers(scale),
        *([strips.hover_layer(weeks, n_strips)] if hover else []),
    ).properties(width=width, height=strips.plot_height(n_strips))
    return theme.themed(
        alt.vconcat(plot),
        title=title,
        notes=(source, KEY, UNKNOWN if unknown else "", note or ""),
        description=season_text(words, title=title, note=note),
        rows={
            "cells": theme.rows_for_chart(cells),
            "strips": strips.named_rows(words),
            "edge": [{"edge": theme.instant(issued - theme.HALF_WEEK)}],
        },
    )


def season_text(words: Mapping[str, str], *, title: str, note: str | None = None) -> str:
    """Say in words what the figure shows, for those who do not see it."""
    parts = [title, "One strip a region, week by week the odds that it is high."]
    parts += [f"{name}: {said}." for name, said in words.items()]
    return " ".join([*parts, *([note] if note else [])])


def _check_odds(frame: pd.DataFrame) -> None:
    wrong = (frame["odds"] < 0) | (frame["odds"] > 1)
    if wrong.any():
        row = frame.iloc[int(wrong.argmax())]
        raise theme.ChartError(
            f"{FIGURE} was asked with odds of {row['odds']:g} for {row['region']!r} in the week of "
            f"{theme.words_of(pd.Timestamp(row['week']))}; 0 to 1, or empty; check the issue"
        )


def _cells(frame: pd.DataFrame, order: list[str], issued: pd.Timestamp) -> pd.DataFrame:
    rows = frame.copy()
    rows["week"] = pd.to_datetime(rows["week"])
    ahead = rows["week"] >= issued
    rows["likely"] = rows["likely"].fillna(False).astype(bool)
    # past weeks lie on the palest shade: what is known of them is told by the dot
    past = rows["was_high"].map(lambda high: None if pd.isna(high) else 0.0).astype(float)
    rows["shade"] = rows["odds"].astype(float).where(ahead, past)
    rows["said"] = [_said(row) for row in rows.to_dict("records")]
    return strips.placed(rows, by="region", order=order)


def _said(row: Mapping[Any, Any]) -> str:
    begin = f"{row['region']}, week of {theme.words_of(pd.Timestamp(row['week']))}: "
    odds, high = row["odds"], row["was_high"]
    if pd.notna(odds):
        return f"{begin}{100 * odds:.0f} % that it is high."
    if pd.isna(high):
        return f"{begin}not known."
    return begin + ("it was high." if high else "it was not high.")


def _shade() -> alt.Color:
    scale = alt.Scale(range=list(theme.ODDS_RAMP), domain=[0, 1], interpolate="lab")
    return alt.Color("shade:Q", scale=scale, legend=strips.legend("odds of a high week", 5))


def _marks(
    scale: alt.Scale, n_strips: int, *, when: str, shape: str, color: str, size: int
) -> alt.Chart:
    base = alt.Chart(alt.NamedData(name="cells")).transform_filter(when)
    mark = base.mark_point(shape=shape, filled=True, color=color, size=size, opacity=1)
    marks: alt.Chart = mark.encode(
        x=alt.X("week:T", scale=scale), y=strips.down("middle", n_strips)
    )
    return marks
