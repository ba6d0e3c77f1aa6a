"""Past years: each a thin line over the same weeks, with what is forecast of the year ahead."""

from __future__ import annotations

from typing import Any

import altair as alt
import pandas as pd

from forecast.charts import theme

COLUMNS = ("year", "visits", "smooth")
BANDS = ("lower_90", "median", "upper_90")
FIGURE = "the past years of flare visits"
HEIGHT = 260
SHADES = ("#858f9b", "#6b7785", "#566372")  # older years paler
KEY = (
    "Thin lines: past years, each week as the mean of the five around it. With dots: seen this "
    "time. Steps: the forecast's median; the band holds nine outcomes in ten."
)
DASHES = ([2, 2], [6, 3], [1, 0])


def past_years_chart(
    past: pd.DataFrame,
    ahead: pd.DataFrame,
    *,
    title: str,
    source: str,
    unit: str = "flare visits a week",
    note: str | None = theme.INVENTED,
    width: int = theme.WIDTH,
    hover: bool = False,
) -> alt.VConcatChart:
    """Draw past years and the forecast over one year of weeks.

    `past` has a row a year and week: `week` (a Monday of the axis), `year` (its name in words, such
    as "two years before"), `visits` (empty where not known) and `smooth` (their running mean, which
    is drawn: of a small practice single weeks are noise). `ahead` has a row a week of the axis:
    `observed` (this year so far) and the forecast's `lower_90`, `median`, `upper_90`. At most three
    past years, oldest first.
    """
    weeks = theme.checked_weeks(ahead, ("observed", *BANDS), FIGURE)
    theme.checked_weeks(past, COLUMNS, FIGURE)
    years = list(dict.fromkeys(past["year"]))
    if len(years) > len(SHADES):
        raise theme.ChartError(
            f"{FIGURE} was asked with {len(years)} past years; at most {len(SHADES)} can be told "
            "apart; leave the older ones out"
        )
    x = alt.X("week:T", scale=theme.week_scale(weeks))
    axis = alt.X("week:T", scale=theme.week_scale(weeks), axis=theme.week_axis(weeks, width))
    plot = alt.layer(
        _band(x),
        *_years(axis, years, unit, columns=2 if theme.is_narrow(width) else len(years)),
        *_this_year(x),
        *([theme.hover_layer(theme.week_scale(weeks))] if hover else []),
    ).properties(width=width, height=HEIGHT)
    rows: dict[str, theme.Rows] = {
        "past": theme.rows_for_chart(past.assign(week=pd.to_datetime(past["week"]))),
        "ahead": theme.rows_for_chart(ahead.assign(week=pd.to_datetime(ahead["week"]))),
    }
    if hover:
        rows["hover"] = theme.hover_rows(ahead, _sentences(past, ahead))
    return theme.themed(
        alt.vconcat(plot),
        title=title,
        notes=(source, KEY, note or ""),
        description=past_years_text(past, ahead, title=title, unit=unit, note=note),
        rows=rows,
    )


def past_years_text(
    past: pd.DataFrame,
    ahead: pd.DataFrame,
    *,
    title: str,
    unit: str = "flare visits a week",
    note: str | None = None,
) -> str:
    """Say in words what the figure shows, for those who do not see it."""
    parts = [title, f"One line a year of {unit}, over the same weeks of the year."]
    for year, rows in past.groupby("year", sort=False):
        known = rows.dropna(subset=["visits"])
        if known.empty:
            parts.append(f"{str(year).capitalize()}: not known.")
            continue
        top = known.iloc[int(known["visits"].to_numpy().argmax())]
        best = theme.words_of(pd.Timestamp(top["week"]))
        parts.append(
            f"{str(year).capitalize()}: {known['visits'].sum():g} in {len(known)} weeks, most "
            f"({top['visits']:g}) in the week like that of {best}."
        )
    forecast = ahead.dropna(subset=["median"])
    if len(forecast):
        top = forecast.iloc[int(forecast["median"].to_numpy().argmax())]
        parts.append(
            f"Forecast: median highest {top['median']:g} in the week of "
            f"{theme.words_of(pd.Timestamp(top['week']))}."
        )
    return " ".join([*parts, *([note] if note else [])])


def _band(x: alt.X) -> alt.Chart:
    base = alt.Chart(alt.NamedData(name="ahead")).transform_filter("isValid(datum.median)")
    band: alt.Chart = base.mark_area(color=theme.BAND_OUTER, interpolate="step").encode(
        x=x, y="lower_90:Q", y2="upper_90:Q"
    )
    return band


def _years(axis: alt.X, years: list[str], unit: str, *, columns: int) -> list[alt.Chart]:
    """Draw each past year in its shade and dashes; the key tells which is which."""
    base = alt.Chart(alt.NamedData(name="past")).mark_line(strokeWidth=1.3)
    n_skipped = len(SHADES) - len(years)
    key = alt.Legend(
        title=None, orient="top", columns=columns, columnPadding=20, symbolSize=400, offset=20
    )
    colour = alt.Color(
        "year:N", scale=alt.Scale(domain=years, range=list(SHADES[n_skipped:])), legend=key
    )
    dashes = alt.StrokeDash(
        "year:N", scale=alt.Scale(domain=years, range=list(DASHES[n_skipped:])), legend=key
    )
    y_axis = alt.Axis(
        title=unit,
        titleAngle=0,
        titleAlign="left",
        titleAnchor="end",
        titleX=-theme.MARGIN,
        titleY=-14,
        domain=False,
        ticks=False,
        tickCount=5,
        tickMinStep=1,
        minExtent=theme.MARGIN,
        maxExtent=theme.MARGIN,
    )
    y = alt.Y("smooth:Q", scale=alt.Scale(zero=True, nice=True), axis=y_axis)
    return [base.encode(x=axis, y=y, color=colour, strokeDash=dashes)]


def _this_year(x: alt.X) -> list[alt.Chart]:
    base = alt.Chart(alt.NamedData(name="ahead")).encode(x=x)
    style: dict[str, Any] = {"color": theme.FORECAST, "strokeWidth": 2.5, "interpolate": "step"}
    return [
        base.mark_line(**style).encode(y="median:Q"),
        base.mark_line(color=theme.INK, strokeWidth=2.2).encode(y="observed:Q"),
        base.mark_point(color=theme.INK, filled=True, size=26, opacity=1).encode(y="observed:Q"),
    ]


def _sentences(past: pd.DataFrame, ahead: pd.DataFrame) -> list[str]:
    by_week = past.assign(week=pd.to_datetime(past["week"])).groupby("week")
    told = {
        week: "; ".join(
            f"{row['year']} " + ("not known" if pd.isna(row["visits"]) else f"{row['visits']:g}")
            for row in rows.to_dict("records")
        )
        for week, rows in by_week
    }
    said = []
    for row in ahead.to_dict("records"):
        week = pd.Timestamp(row["week"])
        now = row["median"] if pd.isna(row["observed"]) else row["observed"]
        what = "forecast" if pd.isna(row["observed"]) else "seen"
        here = f"{what} {now:g}; " if pd.notna(now) else ""
        said.append(f"Week of {theme.words_of(week)}: {here}{told.get(week, '')}.")
    return said
