"""What commands print: progress, the answer by region, plans, the record of past forecasts."""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Sequence
from datetime import date

import numpy as np
import pandas as pd
import xarray as xr
from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from forecast.dosing.plan import CAUTIONS, DosePlan, Proposal
from forecast.issuing import Issue
from forecast.practice import Practice
from forecast.records.dogs import identity_of
from forecast.records.engine import Records
from forecast.regions import regions
from forecast.risk import exposure_seasons, flare_seasons
from forecast.wording import INVENTED, day, days, evidence_sentence, odds, region_sentence, span
from models.allergens import catalogue
from models.flare.attribution import Evidence

_SHOWN_FIRST = (
    Proposal.DATED_DOSES,
    Proposal.SEE_NOW,
    Proposal.HOLD_A_SLOT,
    Proposal.VET_DECIDES,
    Proposal.EXAMINE,
    Proposal.NOTHING,
)
BARS = " ▁▂▃▄▅▆▇█"
console = Console(highlight=False, soft_wrap=False)
progress = Console(stderr=True, highlight=False)
_began = time.monotonic()


def say(step: str) -> None:
    """Tell what is being done, with the seconds since the start."""
    progress.print(f"[dim]{time.monotonic() - _began:5.1f} s[/]  {step}")


def heading(text: str) -> None:
    """Print a section's heading."""
    console.print()
    console.print(Text(text, style="bold"))


def paragraph(text: str, *, style: str = "") -> None:
    """Print a paragraph, wrapped and set in."""
    console.print(Padding(Text(text, style=style), (0, 0, 0, 2)))


def show_issue(practice: Practice, made: Issue) -> None:
    """Print an issue: the answer by region, the odds on one time axis, the exposure seasons."""
    names = {region.id: region.name for region in regions(practice).values()}
    forecast = made.forecast
    heading(f"Forecast as of {made.cut.origin} ({made.cut.kind}, issue {made.id})")
    if practice.settings.practice.invented:
        paragraph(INVENTED, style="bold")
    if not made.has_visits:
        paragraph(
            "Exposure and season dates only: no counts, no odds of visits, no plans, since "
            f"{forecast.attrs['why_no_visits']}."
        )
    until = date.fromisoformat(str(forecast.attrs["weather_until"]))
    missing = (made.cut.origin - until).days - 1
    if missing:
        paragraph(
            f"Weather is held until {until}; past years stand in for the {missing} days between."
        )
    if made.has_visits:
        for region in forecast["region"].values:
            paragraph(region_sentence(forecast, str(region), names[str(region)]))
        heading("Odds of a high week, week by week (a full bar is certain; dots: as usual or less)")
        _odds_strips(forecast, names)
        heading("Flare season: first and last week above the region's threshold")
        _flare_table(forecast, names)
    heading("Exposure seasons: median date (8 in 10 draws); modelled, no pollen was measured")
    _exposure_table(forecast, names)


def _odds_strips(forecast: xr.Dataset, names: dict[str, str]) -> None:
    weeks = pd.DatetimeIndex(forecast["week"].values)
    width = max(len(name) for name in names.values()) + 2
    console.print(" " * (width + 2) + month_line(weeks), style="dim")
    for region in forecast["region"].values:
        one = forecast.sel(region=region)
        cells = [
            _bar(float(p), float(c))
            for p, c in zip(one["odds_high"].values, one["climatology_odds"].values, strict=True)
        ]
        console.print(f"  {names[str(region)]:<{width}}" + "".join(cells))


def month_line(weeks: pd.DatetimeIndex) -> str:
    """Return the names of the months, each over its first week, where there is room for it."""
    line = [" "] * (len(weeks) + 4)
    # a week belongs to the month of its Thursday, so that no month is a single week wide
    thursdays = weeks + pd.Timedelta(days=3)
    first = [
        at for at, day in enumerate(thursdays) if at == 0 or day.month != thursdays[at - 1].month
    ]
    for at, following in zip(first, [*first[1:], len(line)], strict=True):
        if following - at > len("Jan"):
            line[at : at + 3] = list(f"{thursdays[at]:%b}")
    return "".join(line).rstrip()


def _bar(chance: float, usual: float) -> str:
    if not np.isfinite(chance):
        return "?"
    if chance <= usual and chance < 0.125:
        return "·"
    return BARS[min(8, max(1, round(8 * chance)))]


def new_table(*columns: str) -> Table:
    """Return an empty table in the house look."""
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="dim")
    for column in columns:
        table.add_column(column, overflow="fold")
    return table


def print_table(table: Table) -> None:
    """Print a table, set in."""
    console.print(Padding(table, (0, 0, 0, 2)))


def _flare_table(forecast: xr.Dataset, names: dict[str, str]) -> None:
    found = {window.region: window for window in flare_seasons(forecast)}
    table = new_table("region", "start", "peak", "end", "comes in", "visits expected in it")
    for region, name in names.items():
        window = found.get(region)
        if window is None:
            known = bool(forecast["season_threshold"].sel(region=region).notnull())
            table.add_row(name, "none likely" if known else "not known", "", "", "", "")
            continue
        weeks = pd.DatetimeIndex(forecast["week"].values)
        inside = (weeks >= pd.Timestamp(window.start[1])) & (weeks <= pd.Timestamp(window.end[1]))
        total = forecast["visits"].sel(region=region).values[:, inside].sum(1)
        low, middle, high = np.quantile(total, [0.05, 0.5, 0.95])
        table.add_row(
            name,
            span(window.start),
            span(window.peak),
            span(window.end),
            odds(window.share_of_draws),
            f"{middle:.0f} ({low:.0f}-{high:.0f})",
        )
    print_table(table)


def _exposure_table(forecast: xr.Dataset, names: dict[str, str]) -> None:
    windows = {(w.region, str(w.allergen)): w for w in exposure_seasons(forecast)}
    table = new_table("", *names.values())
    known = catalogue()
    for allergen in forecast["allergen"].values:
        cells = []
        for region in names:
            window = windows.get((region, str(allergen)))
            listed = bool(forecast["listed"].sel(region=region, allergen=allergen))
            if not listed:
                cells.append("not listed")
            elif window is None:
                cells.append("none")
            else:
                spread = days(window.start[0], window.start[2])
                cells.append(f"{days(window.start[1], window.end[1])}\n[dim]start {spread}[/]")
        table.add_row(known[str(allergen)].name, *cells)
    print_table(table)


def show_plans(
    practice: Practice,
    records: Records,
    made: Issue,
    plans: Sequence[DosePlan],
    *,
    in_full: bool,
    names: dict[str, str] | None = None,
) -> None:
    """Print proposals; the dated ones and those that need a vet first, each with its reasons."""
    if not made.has_visits:
        paragraph(
            "No plans: without visits nothing is known of when these dogs flare "
            f"({made.forecast.attrs['why_no_visits']})."
        )
        return
    heading(f"Proposals for dogs, from issue {made.id}: a vet who examined the dog decides")
    if practice.settings.practice.invented:
        paragraph(INVENTED, style="bold")
    ordered = sorted(plans, key=lambda one: _SHOWN_FIRST.index(one.proposal))
    if not in_full:
        counts = Counter(one.proposal for one in ordered)
        paragraph("; ".join(f"{proposal}: {n}" for proposal, n in counts.items()) or "No dog.")
    for one in ordered:
        _show_plan(records, one, names or {}, n_reasons=None if in_full else 2)
    heading("On every plan")
    for caution in CAUTIONS:
        paragraph(caution.sentence)


def _show_plan(
    records: Records, one: DosePlan, stories: dict[str, str], *, n_reasons: int | None
) -> None:
    identity = identity_of(records, one.dog)
    who = "erased" if identity is None else f"{identity.name or 'no name'}, {identity.reference}"
    story = f" ({stories[one.dog]})" if one.dog in stories else ""
    text = Text.assemble((who, "bold"), story, ": ", (str(one.proposal), "bold"))
    if one.doses:
        text.append(f", {', '.join(_with_year(dose.date) for dose in one.doses)}", style="bold")
    console.print(Padding(text, (0, 0, 0, 2)))
    reasons = [reason.sentence for reason in one.reasons]
    shown = reasons[:n_reasons]
    more = len(reasons) - len(shown)
    tail = f"; and {more} more" if more else ""
    console.print(Padding(Text("; ".join(shown) + tail + ".", style="dim"), (0, 0, 0, 4)))


def _with_year(moment: date) -> str:
    return f"{moment:%a} {day(moment)} {moment.year}"


def show_evidence(found: Sequence[Evidence]) -> None:
    """Print what the visits tell of each family of drivers; nothing without visits."""
    if not found:
        return
    heading("What drives flares here, as far as the visits tell")
    for evidence in found:
        paragraph(evidence_sentence(evidence))


def show_record(scores: pd.DataFrame) -> None:
    """Print how forecasts from past origins did, by lead, against the two references."""
    from models.backtest import summarise

    summary = summarise(scores, references=("climatology", "last season"))
    table = new_table(
        "weeks ahead",
        "weeks scored",
        "error against climatology",
        "error against last season",
        "half held",
        "nine in ten held",
    )
    for _, row in summary[summary["model"] == "forepaw"].iterrows():
        table.add_row(
            str(row["lead"]),
            f"{row['cases']}",
            f"{row['relative to climatology']:.2f}",
            f"{row['relative to last season']:.2f}",
            f"{100 * row['cover 50']:.0f} %",
            f"{100 * row['cover 90']:.0f} %",
        )
    print_table(table)
