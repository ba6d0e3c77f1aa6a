"""The exposure calendar: one strip an allergen, weeks from left to right, darker for more."""

from __future__ import annotations

import altair as alt
import pandas as pd

from forecast.charts import strips, theme

COLUMNS = ("allergen", "exposure")
FIGURE = "the exposure calendar"
UNKNOWN = f"{theme.NOT_KNOWN} marks weeks of which the exposure is not known."


def exposure_chart(
    frame: pd.DataFrame,
    *,
    title: str,
    source: str,
    issued: pd.Timestamp | None = None,
    note: str | None = theme.INVENTED,
    width: int = theme.WIDTH,
    hover: bool = False,
) -> alt.VConcatChart:
    """Draw exposure by allergen and week.

    `frame` has a row an allergen and week: `week` (a Monday), `allergen` (its name in words),
    `exposure` (index of the week, empty where not known) and, if known, `usual_peak` (highest
    week of a mean season, per allergen), by which the strip is shaded; without it, by its own
    highest week. `issued` is the first week of the forecast. `hover` lays a sentence over each
    cell, for a screen that shows it under a pointer.
    """
    weeks = theme.checked_weeks(frame, COLUMNS, FIGURE)
    rows = _shaded(frame)
    peaks = _peaks(rows)
    n_strips = len(peaks)
    scale = theme.week_scale(weeks)
    edge = [] if issued is None else [{"edge": theme.instant(issued - theme.HALF_WEEK)}]
    shade = _shade(float(rows["share"].max()))
    plot = alt.layer(
        *strips.cell_layers(weeks, shade, value="share", n_strips=n_strips, width=width),
        _peak_rings(scale, n_strips),
        *strips.name_layers(n_strips),
        *(strips.edge_layers(scale) if edge else []),
        *([strips.hover_layer(weeks, n_strips)] if hover else []),
    ).properties(width=width, height=strips.plot_height(n_strips))
    return theme.themed(
        alt.vconcat(plot),
        title=title,
        notes=(source, UNKNOWN if rows["share"].isna().any() else "", note or ""),
        description=exposure_text(frame, title=title, note=note),
        rows={
            "cells": _cells(rows, list(peaks.index), hover=hover),
            "peaks": _peak_rows(rows),
            "strips": _named(rows),
            "edge": edge,
        },
    )


def exposure_text(frame: pd.DataFrame, *, title: str, note: str | None = None) -> str:
    """Say in words what the figure shows, for those who do not see it."""
    rows = _shaded(frame)
    weeks = pd.DatetimeIndex(rows["week"].drop_duplicates()).sort_values()
    span = f"weeks of {theme.words_of(weeks[0])} to {theme.words_of(weeks[-1])}"
    parts = [title, f"One strip an allergen, {span}."]
    n_unknown = _n_unknown(rows)
    for allergen, week in _peaks(rows).items():
        unknown = n_unknown[str(allergen)]
        gap = f", not known in {unknown} of them" if unknown else ""
        if unknown == len(weeks):
            parts.append(f"{allergen}: not known in these weeks.")
        elif pd.isna(week):
            parts.append(f"{allergen}: no exposure in these weeks{gap}.")
        else:
            of = " of those known" if unknown else ""
            parts.append(f"{allergen}: highest{of} in the week of {theme.words_of(week)}{gap}.")
    return " ".join([*parts, *([note] if note else [])])


def _shaded(frame: pd.DataFrame) -> pd.DataFrame:
    """Add `share`, the exposure as a share of the usual peak week of its allergen."""
    rows = frame.copy().reset_index(drop=True)
    rows["week"] = pd.to_datetime(rows["week"])
    doubled = rows.duplicated(["week", "allergen"])
    if doubled.any():
        row = rows.iloc[int(doubled.argmax())]
        raise theme.ChartError(
            f"{FIGURE} was asked with {row['allergen']!r} twice in the week of "
            f"{theme.words_of(row['week'])}; one row an allergen and week; check the issue"
        )
    if (rows["exposure"] < 0).any():
        row = rows.iloc[int((rows["exposure"] < 0).argmax())]
        raise theme.ChartError(
            f"{FIGURE} was asked with an exposure of {row['exposure']:g} for {row['allergen']!r} "
            f"in the week of {theme.words_of(row['week'])}; 0 or more, or empty; check the issue"
        )
    own = rows.groupby("allergen")["exposure"].transform("max")
    full = rows["usual_peak"].fillna(own) if "usual_peak" in rows else own
    rows["share"] = (rows["exposure"] / full.where(full > 0)).where(rows["exposure"] != 0, 0.0)
    return rows


def _peaks(rows: pd.DataFrame) -> pd.Series:
    """Return the peak week of each allergen, earliest first; missing where nothing is let loose."""
    peaks = {}
    for allergen, group in rows.groupby("allergen", sort=True):
        known = group[group["exposure"] > 0]
        top = known["week"].iloc[int(known["exposure"].argmax())] if len(known) else pd.NaT
        peaks[allergen] = top
    return pd.Series(peaks, dtype="datetime64[us]").sort_values(kind="stable", na_position="last")


def _cells(rows: pd.DataFrame, order: list[str], *, hover: bool) -> theme.Rows:
    cells = rows[["week", "allergen", "exposure", "share"]].copy()
    cells = strips.placed(cells, by="allergen", order=order)
    if hover:
        cells["said"] = [
            f"{name}, week of {theme.words_of(week)}: "
            + ("not known." if pd.isna(share) else f"{100 * share:.0f} % of the usual peak week.")
            for name, week, share in zip(
                cells["allergen"], cells["week"], cells["share"], strict=True
            )
        ]
    return theme.rows_for_chart(cells)


def _shade(highest: float) -> alt.Color:
    top = max(1.0, highest) if pd.notna(highest) else 1.0
    scale = alt.Scale(range=list(theme.EXPOSURE_RAMP), domain=[0, top], interpolate="lab")
    legend = strips.legend("share of the usual peak week")
    return alt.Color("share:Q", scale=scale, legend=legend)


def _named(rows: pd.DataFrame) -> theme.Rows:
    return strips.named_rows({str(row["allergen"]): row["words"] for row in _peak_rows(rows)})


def _peak_rows(rows: pd.DataFrame) -> theme.Rows:
    n_unknown = _n_unknown(rows)
    return [
        {
            "allergen": allergen,
            "week": None if pd.isna(week) else theme.instant(week),
            "words": _peak_word(week, has_gap=n_unknown[str(allergen)] > 0),
            "middle": at * strips.STEP + strips.WORDS + strips.STRIP / 2,
        }
        for at, (allergen, week) in enumerate(_peaks(rows).items())
    ]


def _n_unknown(rows: pd.DataFrame) -> dict[str, int]:
    """Count the weeks of each allergen in which its exposure is not known."""
    unknown = rows["exposure"].isna()
    return {
        str(name): int(unknown[own].sum()) for name, own in rows.groupby("allergen").groups.items()
    }


def _peak_word(week: pd.Timestamp, *, has_gap: bool) -> str:
    if pd.isna(week):
        return "not known" if has_gap else "no peak here"
    return f"peak {week.day} {week:%b}"


def _peak_rings(scale: alt.Scale, n_strips: int) -> alt.Chart:
    """Mark each strip's peak week with a ring."""
    base = alt.Chart(alt.NamedData(name="peaks")).transform_filter("isValid(datum.week)")
    ring = base.mark_point(color=theme.PAPER, size=44, strokeWidth=2, opacity=1)
    rings: alt.Chart = ring.encode(
        x=alt.X("week:T", scale=scale), y=strips.down("middle", n_strips)
    )
    return rings
