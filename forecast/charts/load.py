"""Load against capacity: one role's hours of work a week at one branch, beside what is rostered."""

from __future__ import annotations

import altair as alt
import pandas as pd

from forecast.charts import theme
from forecast.charts.marked_weeks import (
    RUNS,
    named,
    run_rows,
    told_ground,
    told_marks,
    unit_axis,
)

COLUMNS = ("low", "middle", "high", "capacity", "hold", "odds", "likely")
FIGURE = "the load against capacity"
HEIGHT = 240
KEY = (
    "Steps: the median load of the week's own visits; the band holds eight outcomes in ten. Bold "
    "dashes: hours that the roster can take. Dots: hours to hold open at the service level. "
    "Triangle: more likely than not that the week overflows, with visits that wait from before."
)
DASHES, DOTS = [7, 4], [1.5, 3]


def load_chart(
    frame: pd.DataFrame,
    *,
    title: str,
    source: str,
    unit: str = "hours of work a week",
    note: str | None = theme.INVENTED,
    width: int = theme.WIDTH,
    hover: bool = False,
) -> alt.VConcatChart:
    """Draw one role's weeks ahead.

    `frame` has a row a week (`week`, a Monday; weeks in a row) and the columns of `COLUMNS`: `low`,
    `middle`, `high` (load for 10, 50 and 90 % of the draws), `capacity` (of the roster), `hold`
    (hours to hold open), all in hours; `odds` (probability that the week overflows) and `likely`
    (true where that is told).
    """
    weeks = theme.checked_weeks(frame, COLUMNS, FIGURE)
    scale = theme.week_scale(weeks)
    x = alt.X("week:T", scale=scale, axis=theme.week_axis(weeks, width))
    plot = alt.layer(
        told_ground(scale, down_to=HEIGHT),
        *_band(x, unit),
        *_lines(x),
        told_marks(x, by="likely"),
        *([theme.hover_layer(scale)] if hover else []),
    ).properties(width=width, height=HEIGHT)
    over = run_rows(frame["week"], frame["likely"])
    rows: dict[str, theme.Rows] = {"weeks": _rows(frame), RUNS: over}
    if hover:
        rows["hover"] = theme.hover_rows(frame, [_said(row) for _, row in frame.iterrows()])
    return theme.themed(
        alt.vconcat(plot),
        title=title,
        notes=(source, KEY, note or ""),
        description=load_text(frame, title=title, unit=unit, note=note),
        rows=rows,
    )


def load_text(
    frame: pd.DataFrame,
    *,
    title: str,
    unit: str = "hours of work a week",
    note: str | None = None,
) -> str:
    """Say in words what the figure shows, for those who do not see it."""
    top = frame.iloc[int(frame["middle"].astype(float).to_numpy().argmax())]
    likely = frame[frame["likely"].astype(bool)]
    parts = [
        title,
        f"Step chart of {unit}, {len(frame)} weeks from {_day(frame.iloc[0]['week'])}.",
        f"Most in the week of {_day(top['week'])}: median {top['middle']:.0f}, eight in ten "
        f"{top['low']:.0f} to {top['high']:.0f}, beside {top['capacity']:.0f} that the roster can "
        "take.",
    ]
    weeks = ", ".join(_day(week) for week in likely["week"])
    parts.append(f"Likely to overflow: {weeks}." if weeks else "No week is likely to overflow.")
    return " ".join([*parts, *([note] if note else [])])


def _rows(frame: pd.DataFrame) -> theme.Rows:
    shown = frame[["week", *COLUMNS]].assign(week=pd.to_datetime(frame["week"]))
    return theme.rows_for_chart(shown)


def _band(x: alt.X, unit: str) -> list[alt.Chart]:
    y = alt.Y("low:Q", scale=alt.Scale(zero=True, nice=True), axis=unit_axis(unit))
    base = named("weeks").encode(x=x)
    band = base.mark_area(color=theme.BAND_OUTER, interpolate="step").encode(y=y, y2="high:Q")
    middle = base.mark_line(color=theme.FORECAST, strokeWidth=2.5, interpolate="step")
    return [band, middle.encode(y="middle:Q")]


def _lines(x: alt.X) -> list[alt.Chart]:
    base = named("weeks").encode(x=x)
    hold = base.mark_line(
        color=theme.USUAL, strokeWidth=1.5, strokeDash=DOTS, interpolate="step"
    ).encode(y="hold:Q")
    capacity = base.mark_line(
        color=theme.INK, strokeWidth=2, strokeDash=DASHES, interpolate="step"
    ).encode(y="capacity:Q")
    return [hold, capacity]


def _said(row: pd.Series) -> str:
    return (
        f"Week of {_day(row['week'])}: {row['middle']:.0f} h of work, eight in ten "
        f"{row['low']:.0f} to {row['high']:.0f}; the roster can take {row['capacity']:.0f}; "
        f"{100 * row['odds']:.0f} in 100 that it overflows."
    )


def _day(week: object) -> str:
    return theme.words_of(pd.Timestamp(str(week)))
