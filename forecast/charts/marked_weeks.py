"""What figures of single weeks share: rows by name, weeks that are told, and the axis of a unit."""

from __future__ import annotations

import altair as alt
import pandas as pd

from forecast.charts import theme

RUNS = "runs"
_ABOVE, _MARK_AT, _MARK_SIZE = -16, -8, 44


def named(name: str) -> alt.Chart:
    """Return a chart of the rows of that name, which `theme.themed` lays beside the figure."""
    return alt.Chart(alt.NamedData(name=name))


def runs_of(weeks: pd.Series, told: pd.Series) -> list[pd.DatetimeIndex]:
    """Return the weeks that are told, as runs of weeks that follow each other."""
    chosen = pd.DatetimeIndex(pd.to_datetime(weeks))[told.fillna(False).astype(bool)]
    if not len(chosen):
        return []
    breaks = (pd.Series(chosen).diff() != pd.Timedelta(days=7)).cumsum()
    return [pd.DatetimeIndex(run) for _, run in pd.Series(chosen).groupby(breaks)]


def run_rows(weeks: pd.Series, told: pd.Series) -> theme.Rows:
    """Return the rows `RUNS`; one ground under each run of weeks, so that no seam shows in it."""
    half = theme.HALF_WEEK
    return [
        {"from": theme.instant(run[0] - half), "to": theme.instant(run[-1] + half)}
        for run in runs_of(weeks, told)
    ]


def told_ground(scale: alt.Scale, *, down_to: float) -> alt.Chart:
    """Lay a ground under the runs of weeks that are told, from above the plot `down_to` [px]."""
    ground = named(RUNS).mark_rect(color=theme.HIGH_GROUND)
    bottom = alt.Y2Value(down_to)  # type: ignore[no-untyped-call]
    grounds: alt.Chart = ground.encode(
        x=alt.X("from:T", scale=scale), x2="to:T", y=theme.at_height(_ABOVE), y2=bottom
    )
    return grounds


def told_marks(x: alt.X, *, by: str) -> alt.Chart:
    """Put a triangle above each week that is told `by` a field, so that its ground is not alone."""
    mark = (
        named("weeks")
        .transform_filter(f"datum.{by}")
        .mark_point(shape="triangle-up", filled=True, color=theme.HIGH, size=_MARK_SIZE, opacity=1)
    )
    marks: alt.Chart = mark.encode(x=x, y=theme.at_height(_MARK_AT))
    return marks


def unit_axis(unit: str, *, least_step: float | None = None) -> alt.Axis:
    """Return the upright axis whose unit stands in words above it."""
    return alt.Axis(
        title=unit,
        titleAngle=0,
        titleAlign="left",
        titleAnchor="end",
        titleX=-theme.MARGIN,
        titleY=-24,
        domain=False,
        ticks=False,
        tickCount=5,
        minExtent=theme.MARGIN,
        maxExtent=theme.MARGIN,
        tickMinStep=alt.Undefined if least_step is None else least_step,
    )
