"""The look of every figure: quiet paper, dark ink, ramps that colour-blind readers can order.

Colours come from the viridis and cividis families, whose lightness rises evenly. Nothing is said
by colour alone: what matters also has a mark, a line style or words.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Mapping, Sequence
from datetime import date
from typing import Any

import altair as alt
import numpy as np
import pandas as pd
from altair.utils.schemapi import disable_debug_mode

from models.errors import ForepawError

# A figure is checked once, whole, when it is written as a specification; by default each of its
# hundreds of parts is checked as it is made as well, which takes half of the time of drawing.
disable_debug_mode()

FONT = (
    "system-ui, -apple-system, 'Segoe UI', Roboto, 'Helvetica Neue', 'Noto Sans', "
    "'Liberation Sans', Arial, 'DejaVu Sans', sans-serif"
)
PAPER = "#ffffff"
INK = "#1c2733"  # titles, observed values
MUTED = "#566372"  # axis labels, sources
HAIRLINE = "#e3e7ec"  # grid
FORECAST = "#355f8d"  # viridis at 0.3
BAND_INNER = "#9fb7d3"  # the same hue, mixed with paper
BAND_OUTER = "#d9e3ee"
USUAL = "#454f5c"  # climatology and threshold: dark enough to show on the bands
AXIS = "#6b7785"
HIGH = "#440154"  # viridis at 0: marks and words of high weeks
HIGH_GROUND = "#fbf6d9"  # viridis at 1, mixed with paper: the ground of high weeks

# Cividis turned over, so that more is darker, with the paper for nothing.
EXPOSURE_RAMP = ("#f5f5f0", "#f3e9a3", "#c8b866", "#948e77", "#666970", "#35456c", "#00224e")
# Viridis turned over, for odds.
ODDS_RAMP = ("#f5f5f0", "#b8dcc0", "#5db7a4", "#2a788e", "#3b528b", "#440154")
SHADE_INK = "#fffffe"  # marks on the dark end of a ramp

WIDTH, NARROW = 880, 330  # of a plot; the narrow one is for a telephone held upright
MARGIN = 26  # left of every plot, so that weeks stand under each other in all figures of a page
SIZE_TITLE, SIZE_TEXT, SIZE_SMALL = 18, 12, 11
TITLE_COLUMNS, SUBTITLE_COLUMNS = 98, 155  # characters that fit the width

# Every pair of text and ground that the figures use; the tests hold each to WCAG AA.
TEXT_ON_GROUND = ((INK, PAPER), (MUTED, PAPER), (HIGH, PAPER), (HIGH, HIGH_GROUND))
MARK_ON_GROUND = (
    (INK, PAPER),
    (AXIS, PAPER),
    (FORECAST, BAND_INNER),
    (USUAL, PAPER),
    (USUAL, BAND_INNER),
    (HIGH, HIGH_GROUND),
)
INVENTED = "Invented practice: the dogs, visits and branches behind this figure do not exist."

NOT_KNOWN = "\N{MULTIPLICATION SIGN}"  # the mark of a week of which nothing is known

AnyChart = alt.Chart | alt.LayerChart | alt.VConcatChart


Rows = list[dict[str, Any]]


class ChartError(ForepawError):
    """The values given cannot be drawn as asked."""


def contrast_ratio(foreground: str, background: str) -> float:
    """Return the WCAG 2 contrast ratio of two colours, 1 to 21."""
    light, dark = sorted((_luminance(foreground), _luminance(background)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def _luminance(colour: str) -> float:
    """Return the relative luminance as WCAG 2 defines it for sRGB."""
    channels = [int(colour[start : start + 2], 16) / 255 for start in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def themed(
    chart: alt.VConcatChart,
    *,
    title: str,
    notes: Sequence[str],
    description: str,
    rows: Mapping[str, Rows],
) -> alt.VConcatChart:
    """Give a figure its title (the answer, as a sentence), notes, look, words and named rows.

    Rows travel once, under the names that the layers use: repeated inside each layer they made a
    figure take seconds to check and to draw.
    """
    lines = textwrap.wrap(title, TITLE_COLUMNS)
    small = [line for note in notes if note for line in textwrap.wrap(note, SUBTITLE_COLUMNS)]
    heading = alt.TitleParams(
        text=lines,
        subtitle=small,
        anchor="start",
        frame="bounds",
        fontSize=SIZE_TITLE,
        fontWeight=600,
        color=INK,
        lineHeight=24,
        subtitleColor=MUTED,
        subtitleFontSize=SIZE_TEXT,
        subtitleLineHeight=17,
        subtitlePadding=7,
        offset=14,
    )
    look = alt.Config(**_config())
    whole = chart.properties(
        title=heading, description=description, background=PAPER, padding=18, config=look
    )
    whole.datasets = dict(rows)  # set past the check, which `to_dict` makes anyway
    return whole


def _config() -> dict[str, Any]:
    axis = {
        "labelColor": MUTED,
        "labelFontSize": SIZE_SMALL,
        "titleColor": MUTED,
        "titleFontSize": SIZE_SMALL,
        "titleFontWeight": "normal",
        "domainColor": AXIS,
        "tickColor": AXIS,
        "gridColor": HAIRLINE,
    }
    legend = {"labelColor": MUTED, "titleColor": MUTED, "titleFontWeight": "normal"}
    return {
        "aria": False,  # the whole figure is one image with one text alternative
        "font": FONT,
        "axis": axis,
        "legend": legend | {"labelFontSize": SIZE_SMALL, "titleFontSize": SIZE_SMALL},
        "view": {"stroke": None},
        "concat": {"spacing": 8},
    }


def at_height(pixels: float) -> alt.YValue:
    """Return a fixed place, in pixels down from the top of the plot."""
    return alt.YValue(pixels)  # type: ignore[no-untyped-call]


# ------------------------------------------------------------------------------------------ weeks
HALF_WEEK = pd.Timedelta(hours=84)
EACH_WEEK_NAMED = 16  # up to so many weeks each one is named, past it each month
EACH_NAMED_NARROW = 5  # on a narrow plot


def week_scale(weeks: pd.DatetimeIndex) -> alt.Scale:
    """Return the shared time scale: from half a week before the first to half one past the last."""
    ends = [milliseconds(weeks[0] - HALF_WEEK), milliseconds(weeks[-1] + HALF_WEEK)]
    return alt.Scale(type="utc", nice=False, domain=ends)


def instant(moment: pd.Timestamp) -> str:
    """Return a moment as Vega reads it, in UTC."""
    return f"{moment:%Y-%m-%dT%H:%M:%SZ}"


def is_narrow(width: int) -> bool:
    """Say whether words must be fewer, as the plot has the width of a telephone."""
    return width < WIDTH // 2 + MARGIN


def week_axis(weeks: pd.DatetimeIndex, width: int = WIDTH) -> alt.Axis:
    """Return the shared time axis: a tick a week; words each week or, for long spans, each month.

    The first label and each January carry the year below. On a narrow plot a long span is worded
    every second month, from January on.
    """
    narrow = is_narrow(width)
    every_week = len(weeks) <= (EACH_NAMED_NARROW if narrow else EACH_WEEK_NAMED)
    begins_month = "utcdate(datum.value) <= 7"
    thin = narrow and len(weeks) > EACH_WEEK_NAMED
    named = [day for day in weeks if every_week or (day.day <= 7 and (not thin or day.month % 2))]
    named = named or [weeks[0]]
    first_named = f"time(datum.value) == {milliseconds(named[0])}"
    worded = f"{begins_month} && utcmonth(datum.value) % 2 == 0" if thin else begins_month
    shown = "true" if every_week else f"(({worded}) || {first_named})"
    words = f"utcFormat(datum.value, '{'%-d %b' if every_week else '%b'}')"
    new_year = f"utcmonth(datum.value) == 0 && {begins_month}"
    dated = f"({first_named} || ({new_year}))"
    with_year = f"[{words}, utcFormat(datum.value, '%Y')]"
    long_tick = alt.condition(begins_month, alt.value(8), alt.value(4))
    return alt.Axis(
        values=[milliseconds(day) for day in weeks],
        tickCount=len(weeks),  # a smaller count would thin the values out
        labelExpr=f"{shown} ? ({dated} ? {with_year} : {words}) : ''",
        labelAlign="center",
        labelOverlap=False,
        labelFlush=False,
        tickSize=8 if every_week else long_tick,
        grid=False,
        title=None,
    )


def milliseconds(day: pd.Timestamp) -> int:
    """Return a day as Vega counts time: milliseconds since 1970 in UTC."""
    return round(pd.Timestamp(day).timestamp() * 1000)


def words_of(day: date | pd.Timestamp) -> str:
    """Return a day in words, such as 6 May 2024."""
    return f"{day.day} {day:%b %Y}"


def checked_weeks(frame: pd.DataFrame, columns: Iterable[str], figure: str) -> pd.DatetimeIndex:
    """Return the weeks of a frame; its columns must be there and its weeks Mondays in a row."""
    missing = [name for name in ("week", *columns) if name not in frame.columns]
    if missing:
        raise ChartError(
            f"{figure} was asked of a frame with columns {list(frame.columns)}; "
            f"{', '.join(missing)} must be there too; add what is missing (empty where not known)"
        )
    weeks = pd.DatetimeIndex(pd.to_datetime(frame["week"]).drop_duplicates()).sort_values()
    steps = np.diff(weeks.to_numpy().astype("datetime64[D]")) == np.timedelta64(7, "D")
    if not len(weeks) or not steps.all() or (weeks.day_of_week != 0).any():
        raise ChartError(
            f"{figure} was asked of {len(weeks)} weeks that are not Mondays in a row; give every "
            "week, with empty values where nothing is known"
        )
    return weeks


def blank_margin() -> alt.Axis:
    """Return an axis without words that takes the same room as one with numbers."""
    return alt.Axis(
        title=None,
        labels=False,
        ticks=False,
        domain=False,
        grid=False,
        minExtent=MARGIN,
        maxExtent=MARGIN,
    )


def hover_rows(frame: pd.DataFrame, words: Sequence[str]) -> Rows:
    """Return for each row its week, from edge to edge, and the sentence shown over it."""
    weeks = pd.to_datetime(frame["week"])
    return [
        {"from": instant(week - HALF_WEEK), "to": instant(week + HALF_WEEK), "words": said}
        for week, said in zip(weeks, words, strict=True)
    ]


def hover_layer(scale: alt.Scale) -> alt.Chart:
    """Return what lies over a plot, unseen, to tell each week in a sentence: rows `hover`."""
    base = alt.Chart(alt.NamedData(name="hover")).mark_rect(color=INK, opacity=0)
    layer: alt.Chart = base.encode(x=alt.X("from:T", scale=scale), x2="to:T", tooltip="words:N")
    return layer


def per_cent(value: str) -> str:
    """Return how a share is written on an axis or in a legend: ``50 %``, as in our sentences."""
    return f"format(100 * {value}, '.0f') + ' %'"


def rows_for_chart(frame: pd.DataFrame) -> Rows:
    """Return rows as plain values: UTC text for days, None for what is not known."""
    rows = []
    for row in frame.to_dict("records"):
        rows.append({str(name): _plain(value) for name, value in row.items()})
    return rows


def _plain(value: Any) -> Any:
    if value is None or value is pd.NaT or (isinstance(value, float) and np.isnan(value)):
        return None
    if isinstance(value, pd.Timestamp | np.datetime64 | date):
        return instant(pd.Timestamp(value))
    return value.item() if isinstance(value, np.generic) else value
