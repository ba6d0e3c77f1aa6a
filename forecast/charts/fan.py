"""The fan: flare visits a week, seen so far and forecast, with what is usual and what is high."""

from __future__ import annotations

from typing import Any, Literal

import altair as alt
import pandas as pd

from forecast.charts import theme
from forecast.charts.marked_weeks import (
    RUNS,
    named,
    run_rows,
    runs_of,
    told_ground,
    told_marks,
    unit_axis,
)

COLUMNS = (
    "observed",
    "lower_90",
    "lower_50",
    "median",
    "upper_50",
    "upper_90",
    "climatology",
    "threshold",
    "high",
)
FIGURE = "the fan of flare visits"
HEIGHT = 320
LETTER, GAP = 6.2, 14  # mean width of a letter of the key; space between its entries
LINE = 20  # height of a line of the key
# A week's quantiles hold for that week: nothing is said of the days between two Mondays.
STEP: Literal["step"] = "step"
DASHES, DOTS = [6, 4], [1.5, 3]
KEY = {
    "observed": "observed",
    "median": "forecast median",
    "inner": "half of outcomes",
    "outer": "nine in ten",
    "usual": "usual for the week",
    "threshold": "high-week threshold",
    "high": "high week",
}
POINT: dict[str, Any] = {"filled": True, "opacity": 1}
GLYPHS: dict[str, list[dict[str, Any]]] = {
    "observed": [
        {"color": theme.INK, "strokeWidth": 1.2},
        POINT | {"shape": "circle", "color": theme.INK, "size": 26},
    ],
    "median": [{"color": theme.FORECAST, "strokeWidth": 2.5}],
    "inner": [{"color": theme.BAND_INNER, "strokeWidth": 14}],
    "outer": [{"color": theme.BAND_OUTER, "strokeWidth": 14}],
    "usual": [{"color": theme.USUAL, "strokeWidth": 1.5, "strokeDash": DASHES}],
    "threshold": [{"color": theme.USUAL, "strokeWidth": 1.5, "strokeDash": DOTS}],
    "high": [
        {"color": theme.HIGH_GROUND, "strokeWidth": 14},
        POINT | {"shape": "triangle-up", "color": theme.HIGH, "size": 44},
    ],
}
NOT_REPORTED = "not_reported"


def fan_chart(
    frame: pd.DataFrame,
    *,
    title: str,
    source: str,
    unit: str = "flare visits a week",
    note: str | None = theme.INVENTED,
    width: int = theme.WIDTH,
    hover: bool = False,
) -> alt.VConcatChart:
    """Draw one region's or branch's weeks from left to right.

    `frame` has a row a week (`week`, a Monday; weeks in a row) and the columns of `COLUMNS`:
    `observed` (empty where not reported, or ahead), the forecast's `lower_90` to `upper_90` (empty
    where past), `climatology` (the usual visits of that week), `threshold` (visits above which a
    week is high) and `high` (true where the forecast calls it so). `title` is the answer in a
    sentence, `source` the credit line, `note` a line that every figure of invented data carries.
    `hover` lays a sentence over each week, for a screen that shows it under a pointer.
    """
    weeks = theme.checked_weeks(frame, COLUMNS, FIGURE)
    _check_bands(frame)
    scale = theme.week_scale(weeks)
    x = alt.X("week:T", scale=scale)
    edge = _edge(frame)
    plot = alt.layer(
        told_ground(scale, down_to=0),
        *_bands(x),
        *_usual(x, axis=alt.X("week:T", scale=scale, axis=theme.week_axis(weeks, width))),
        *_observed(x, unit),
        *(_issued(scale) if edge else []),
        told_marks(x, by="high"),
        *([theme.hover_layer(scale)] if hover else []),
    ).properties(width=width, height=HEIGHT)
    key = _key_rows(frame, width)
    high = run_rows(frame["week"], frame["high"])
    rows = {"weeks": _rows(frame), RUNS: high, "edge": edge, "key": key}
    if hover:
        rows["hover"] = theme.hover_rows(frame, [_said(frame, row) for row in range(len(frame))])
    return theme.themed(
        alt.vconcat(_key(key, width), plot),
        title=title,
        notes=(source, note or ""),
        description=fan_text(frame, title=title, unit=unit, note=note),
        rows=rows,
    )


def fan_text(
    frame: pd.DataFrame, *, title: str, unit: str = "flare visits a week", note: str | None = None
) -> str:
    """Say in words what the figure shows, for those who do not see it."""
    weeks = pd.DatetimeIndex(pd.to_datetime(frame["week"]))
    parts = [title, f"Line chart of {unit}, {_span(weeks)}."]
    seen = frame["observed"].astype(float)
    if seen.notna().any():
        top = int(seen.fillna(-1).to_numpy().argmax())
        parts.append(f"Observed: highest {seen.iloc[top]:g} in the {_week(frame, top)}.")
    ahead = frame["median"].astype(float)
    if ahead.notna().any():
        top = int(ahead.fillna(-1).to_numpy().argmax())
        row = frame.iloc[top]
        parts.append(
            f"Forecast: median highest {row['median']:g} in the {_week(frame, top)}, half of the "
            f"outcomes between {row['lower_50']:g} and {row['upper_50']:g}, nine in ten between "
            f"{row['lower_90']:g} and {row['upper_90']:g}."
        )
    runs = [_span(run) for run in high_runs(frame)]
    parts.append(f"High weeks: {'; '.join(runs)}." if runs else "No high week is forecast.")
    return " ".join([*parts, *([note] if note else [])])


def high_runs(frame: pd.DataFrame) -> list[pd.DatetimeIndex]:
    """Return the high weeks as runs of weeks that follow each other."""
    return runs_of(frame["week"], frame["high"])


# ------------------------------------------------------------------------------------------ layers
def _rows(frame: pd.DataFrame) -> theme.Rows:
    rows = frame[["week", *COLUMNS]].copy()
    rows["high"] = rows["high"].fillna(False).astype(bool)
    rows["week"] = pd.to_datetime(rows["week"])
    rows[NOT_REPORTED] = _not_reported(frame)
    return theme.rows_for_chart(rows)


def _not_reported(frame: pd.DataFrame) -> pd.Series:
    """Past weeks without a count; a week with a forecast is ahead, not missing."""
    return frame["observed"].isna() & frame["median"].isna()


def _edge(frame: pd.DataFrame) -> theme.Rows:
    """Return the moment between the last week seen and the first one forecast, if both show."""
    ahead = frame.loc[frame["median"].notna(), "week"]
    if ahead.empty or len(ahead) == len(frame):
        return []
    return [{"edge": theme.instant(pd.to_datetime(ahead).min() - theme.HALF_WEEK)}]


def _bands(x: alt.X) -> list[alt.Chart]:
    base = named("weeks").transform_filter("isValid(datum.median)").encode(x=x)
    outer = base.mark_area(color=theme.BAND_OUTER, interpolate=STEP)
    inner = base.mark_area(color=theme.BAND_INNER, interpolate=STEP)
    middle = base.mark_line(color=theme.FORECAST, strokeWidth=2.5, interpolate=STEP)
    outer = outer.encode(y="lower_90:Q", y2="upper_90:Q")
    inner = inner.encode(y="lower_50:Q", y2="upper_50:Q")
    middle = middle.encode(y="median:Q")
    return [outer, inner, middle]


def _usual(x: alt.X, *, axis: alt.X) -> list[alt.Chart]:
    """Draw the two lines that run through all weeks; the first carries the axis for all layers."""
    style: dict[str, Any] = {"color": theme.USUAL, "strokeWidth": 1.5, "interpolate": STEP}
    usual = named("weeks").mark_line(strokeDash=DASHES, **style)
    threshold = named("weeks").mark_line(strokeDash=DOTS, **style)
    return [
        usual.encode(x=axis, y="climatology:Q"),
        threshold.encode(x=x, y="threshold:Q"),
    ]


def _observed(x: alt.X, unit: str) -> list[alt.Chart]:
    axis = unit_axis(unit, least_step=1)
    y = alt.Y("observed:Q", scale=alt.Scale(zero=True, nice=True), axis=axis)
    base = named("weeks").encode(x=x)
    line = base.mark_line(color=theme.INK, strokeWidth=1.2, strokeJoin="round").encode(y=y)
    dots = base.mark_point(color=theme.INK, filled=True, size=26, opacity=1).encode(y=y)
    gaps = (
        base.transform_filter(f"datum.{NOT_REPORTED}")
        .mark_text(text=theme.NOT_KNOWN, color=theme.MUTED, fontSize=13, dy=-7)
        .encode(y=alt.YDatum(0))
    )
    return [line, dots, gaps]


def _issued(scale: alt.Scale) -> list[alt.Chart]:
    base = named("edge").encode(x=alt.X("edge:T", scale=scale))
    style: dict[str, Any] = {"color": theme.INK, "fontSize": theme.SIZE_SMALL, "baseline": "top"}
    past = base.mark_text(text="seen", align="right", dx=-6, **style)
    future = base.mark_text(text="forecast", align="left", dx=6, **style)
    rule = base.mark_rule(color=theme.INK, strokeWidth=1)
    return [rule, past.encode(y=theme.at_height(4)), future.encode(y=theme.at_height(4))]


# --------------------------------------------------------------------------------------------- key
def _key_rows(frame: pd.DataFrame, width: int) -> theme.Rows:
    """Return the entries of the key with the place of each, in as many lines as it takes."""
    entries = dict(KEY)
    if _not_reported(frame).any():
        entries["gap"] = f"{theme.NOT_KNOWN} not reported"
    rows: theme.Rows = []
    left, line = 0.0, 0
    for kind, words in entries.items():
        glyph = 0 if kind == "gap" else 30
        room = glyph + LETTER * len(words) + GAP
        if left and left + room > width + GAP:
            left, line = 0.0, line + 1
        row = {"kind": kind, "words": words, "x": left, "end": left + 22, "middle": left + 11}
        rows.append(row | {"text": left + glyph, "line": line * LINE + LINE / 2})
        left += room
    return rows


def _key(rows: theme.Rows, width: int) -> alt.LayerChart:
    """Draw the key above the plot, each entry as it looks in the plot."""
    height = rows[-1]["line"] + LINE / 2
    scale = alt.Scale(domain=[0, width], nice=False, zero=False)
    down = alt.Y(
        "line:Q", axis=theme.blank_margin(), scale=alt.Scale(domain=[height, 0], nice=False)
    )
    left, middle, text = (
        alt.X(f"{name}:Q", scale=scale, axis=None) for name in ("x", "middle", "text")
    )
    layers = []
    for kind in (row["kind"] for row in rows if row["kind"] in GLYPHS):
        entry = named("key").transform_filter(f"datum.kind === '{kind}'")
        for mark in GLYPHS[kind]:
            chart = entry.mark_point(**mark) if "shape" in mark else entry.mark_rule(**mark)
            place = {"x": middle} if "shape" in mark else {"x": left, "x2": "end:Q"}
            layers.append(chart.encode(y=down, **place))
    words = named("key").mark_text(
        align="left", baseline="middle", color=theme.MUTED, fontSize=theme.SIZE_SMALL
    )
    layers.append(words.encode(x=text, y=down, text="words:N"))
    return alt.LayerChart(layer=layers, width=width, height=height)


# ------------------------------------------------------------------------------------------- words
def _said(frame: pd.DataFrame, row: int) -> str:
    """Say one week of the figure in a sentence."""
    week = frame.iloc[row]
    begin = f"Week of {theme.words_of(week['week'])}: "
    if pd.isna(week["median"]):
        seen = week["observed"]
        return begin + ("not reported." if pd.isna(seen) else f"{seen:g} flare visits seen.")
    high = " Likely a high week." if week["high"] else ""
    return (
        f"{begin}expect {week['median']:.0f} flare visits, half of the outcomes "
        f"{week['lower_50']:.0f} to {week['upper_50']:.0f}, nine in ten {week['lower_90']:.0f} to "
        f"{week['upper_90']:.0f}; usual {week['climatology']:.1f}.{high}"
    )


def _week(frame: pd.DataFrame, row: int) -> str:
    return f"week of {theme.words_of(pd.DatetimeIndex(frame['week'])[row])}"


def _span(weeks: pd.DatetimeIndex) -> str:
    if len(weeks) == 1:
        return f"week of {theme.words_of(weeks[0])}"
    return f"weeks of {theme.words_of(weeks[0])} to {theme.words_of(weeks[-1])}"


def _check_bands(frame: pd.DataFrame) -> None:
    names = ["lower_90", "lower_50", "median", "upper_50", "upper_90"]
    bands = frame[names].astype(float)
    partly = bands.isna().any(axis=1) & bands.notna().any(axis=1)
    crossed = (bands.diff(axis=1).iloc[:, 1:] < 0).any(axis=1)
    for wrong, words in ((partly, "only part of its quantiles"), (crossed, "crossing quantiles")):
        if wrong.any():
            week = _week(frame, int(wrong.argmax()))
            raise theme.ChartError(
                f"{FIGURE} was asked with {words} in the {week} ({int(wrong.sum())} such weeks); "
                f"{', '.join(names)} must rise, all known or all empty; check the issue"
            )
