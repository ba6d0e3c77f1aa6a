"""What commands print: progress, the answer by region, the record of past forecasts."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
import xarray as xr
from rich.console import Console
from rich.padding import Padding
from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeElapsedColumn
from rich.table import Table
from rich.text import Text

from forecast.evidence_files import BesideIssue
from forecast.issuing import Issue
from forecast.model_words import review_sentences
from forecast.pollen_counts import exposure_is_from
from forecast.practice import Practice
from forecast.regions import regions
from forecast.risk import SeasonWindow, exposure_seasons, flare_seasons, seasons_not_known
from forecast.wording import (
    INVENTED,
    day,
    days,
    evidence_sentence,
    explanation_sentence,
    odds,
    opening_sentences,
    region_sentence,
    season_cell,
)
from models.allergens import catalogue
from models.flare.attribution import Evidence
from models.flare.yearly_review import YearlyReview

BARS = " ▁▂▃▄▅▆▇█"
INDENT, GAP = 2, 2  # of what stands under a heading; between columns
NAME_COLUMN = 18  # an allergen's name; a longer one takes two lines, as its seasons do
console = Console(highlight=False, soft_wrap=False)
progress = Console(stderr=True, highlight=False)
_began = time.monotonic()


def say(step: str) -> None:
    """Tell what is being done, with the seconds since the start."""
    progress.print(f"[dim]{time.monotonic() - _began:5.1f} s[/]  {step}")


@contextmanager
def bar(what: str) -> Iterator[Callable[[float], None] | None]:
    """Show a bar while something goes on; hand out what to tell the share done, 0 to 1.

    Only where a person watches: on anything but a terminal there is no bar, and None is handed out.
    """
    if not progress.is_terminal:
        yield None
        return
    columns = (TextColumn("{task.description}"), BarColumn(), TaskProgressColumn())
    with Progress(*columns, TimeElapsedColumn(), console=progress, transient=True) as shown:
        task = shown.add_task(what, total=1.0)
        yield lambda share: shown.update(task, completed=share)


def heading(text: str) -> None:
    """Print a section's heading."""
    console.print()
    console.print(Text(text, style="bold"))


def paragraph(text: str, *, style: str = "") -> None:
    """Print a paragraph, wrapped and set in."""
    console.print(Padding(Text(text, style=style), (0, 0, 0, INDENT), expand=False))


def show_issue(practice: Practice, made: Issue) -> None:
    """Print an issue: the answer by region, the odds on one time axis, the exposure seasons."""
    names = {region.id: region.name for region in regions(practice).values()}
    forecast = made.forecast
    heading(f"Forecast as of {made.cut.origin} ({made.cut.kind}, issue {made.id})")
    for sentence in opening_sentences(made, names):
        paragraph(sentence, style="bold" if sentence == INVENTED else "")
    if made.has_visits:
        for region in forecast["region"].values:
            paragraph(region_sentence(forecast, str(region), names[str(region)]))
            why = explanation_sentence(forecast, str(region), names[str(region)])
            if why is not None:
                paragraph(why, style="dim")
        heading("Odds of a high week (full bar: certain; dot: as usual for the week, or less)")
        _odds_strips(forecast, names)
        heading("Flare season: weeks above the region's threshold; median (8 in 10 draws)")
        _flare_table(forecast, names)
    heading("Exposure seasons: median days (8 in 10 draws)")
    paragraph(exposure_is_from(forecast.attrs))
    _exposure_tables(forecast, names)
    console.print()
    paragraph(str(forecast.attrs["credit"]), style="dim")


def _odds_strips(forecast: xr.Dataset, names: dict[str, str]) -> None:
    weeks = pd.DatetimeIndex(forecast["week"].values)
    width = max(len(name) for name in names.values()) + 2
    # a month's name may stand over the last week, and is three letters long
    n_fitting = max(console.width - width - len("  Jan"), len("Jan "))
    for first in range(0, len(weeks), n_fitting):
        shown = slice(first, first + n_fitting)
        console.print(" " * (width + 2) + month_line(weeks[shown]), style="dim")
        for region in forecast["region"].values:
            one = forecast.sel(region=region).isel(week=shown)
            pairs = zip(one["odds_high"].values, one["climatology_odds"].values, strict=True)
            cells = [_bar(float(p), float(c)) for p, c in pairs]
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
    table = Table(box=None, pad_edge=False, padding=(0, GAP, 0, 0), header_style="dim")
    for column in columns:
        table.add_column(column, overflow="fold")
    return table


def print_table(table: Table) -> None:
    """Print a table, set in."""
    console.print(Padding(table, (0, 0, 0, INDENT), expand=False))


def _flare_table(forecast: xr.Dataset, names: dict[str, str]) -> None:
    found = {window.region: window for window in flare_seasons(forecast)}
    table = new_table("region, odds", "start", "peak", "end", "visits in it")
    for region, name in names.items():
        window = found.get(region)
        if window is None:
            known = bool(forecast["season_threshold"].sel(region=region).notnull())
            table.add_row(name, "none likely" if known else "not known", "", "", "")
            continue
        weeks = pd.DatetimeIndex(forecast["week"].values)
        inside = (weeks >= pd.Timestamp(window.start[1])) & (weeks <= pd.Timestamp(window.end[1]))
        total = forecast["visits"].sel(region=region).values[:, inside].sum(1)
        low, middle, high = np.quantile(total, [0.05, 0.5, 0.95])
        table.add_row(
            _two_lines(name, odds(window.share_of_draws)),
            _flare_start(window, weeks[0].date()),
            _two_lines(day(window.peak[1]), days(window.peak[0], window.peak[2])),
            _two_lines(day(window.end[1]), days(window.end[0], window.end[2])),
            _two_lines(f"{middle:.0f}", f"{low:.0f}-{high:.0f}"),
        )
    print_table(table)


def _flare_start(window: SeasonWindow, first_week: date) -> str | Text:
    """Say a start; a season that runs in the first week of the forecast may be older than it."""
    if window.start[2] <= first_week:
        return "already on"
    if window.start[1] <= first_week:
        return "likely on now"
    return _two_lines(day(window.start[1]), days(window.start[0], window.start[2]))


def _two_lines(first: str, second: str) -> Text:
    return Text.assemble(first, "\n", (second, "dim"))


def _exposure_tables(forecast: xr.Dataset, names: dict[str, str]) -> None:
    """Print a table of as many regions as stand side by side, then the next ones."""
    origin = date.fromisoformat(str(forecast.attrs["origin"]))
    windows = {(w.region, str(w.allergen)): w for w in exposure_seasons(forecast)}
    unknown = seasons_not_known(forecast)
    allergens = [str(allergen) for allergen in forecast["allergen"].values]
    known = catalogue()
    columns = []
    for region, name in names.items():
        column = [name]
        for allergen in allergens:
            window = windows.get((region, allergen))
            if not bool(forecast["listed"].sel(region=region, allergen=allergen)):
                column.append("not listed")
            elif window is None:
                column.append("not known" if (region, allergen) in unknown else "none")
            else:
                column.append("\n".join(season_cell(window, origin)))
        columns.append(column)
    groups = side_by_side(columns, console.width - INDENT - NAME_COLUMN - GAP)
    for number, shown in enumerate(groups):
        if number:
            console.print()
        table = new_table("", *(column[0] for column in shown))
        table.columns[0].max_width = NAME_COLUMN
        for row, allergen in enumerate(allergens, start=1):
            cells = [column[row].partition("\n") for column in shown]
            table.add_row(known[allergen].name, *(_two_lines(up, low) for up, _, low in cells))
        print_table(table)


def side_by_side(columns: Sequence[Sequence[str]], room: int) -> list[list[Sequence[str]]]:
    """Part columns of text into groups that fit a width side by side, at least one a group."""
    groups: list[list[Sequence[str]]] = [[]]
    left = room
    for column in columns:
        width = max(len(line) for cell in column for line in cell.split("\n"))
        if groups[-1] and width > left:
            groups.append([])
            left = room
        groups[-1].append(column)
        left -= width + GAP
    return groups


def show_files(files: Sequence[Path]) -> None:
    """Print what was written: the folder, then the names; a figure once for all its forms."""
    heading("Written, every figure as SVG and PNG, to")
    console.print(f"  {files[0].parent}", soft_wrap=True)
    figure = (".svg", ".png")
    names = dict.fromkeys(file.stem if file.suffix in figure else file.name for file in files)
    paragraph(", ".join(names))


def show_evidence(found: Sequence[Evidence]) -> None:
    """Print what the visits tell of each family of drivers; nothing without visits."""
    if not found:
        return
    heading("What drives flares here, as far as the visits tell")
    for evidence in found:
        paragraph(evidence_sentence(evidence))


def show_review(reviewed: YearlyReview | None) -> None:
    """Print what the yearly review found; nothing without visits."""
    if reviewed is None:
        return
    heading("What the forecast of visits rests on this year")
    for sentence in review_sentences(reviewed):
        paragraph(sentence)


def show_weeks_coming_in(beside: BesideIssue) -> None:
    """Print what weeks still coming in will likely have been; nothing where all are whole."""
    if not beside.coming_in:
        return
    heading("Weeks that have not all come in")
    for sentences in beside.coming_in.values():
        for sentence in sentences:
            paragraph(sentence)


def show_what_cover_decides(practice: Practice, beside: BesideIssue) -> None:
    """Print pressure and visits ahead at a low, the central and a high efficacy of cover."""
    if not beside.cover:
        return
    heading("What hangs on how much cover prevents (assumed, never learnt from visits)")
    one = next(iter(beside.cover.values()))
    shares = [f"flares, if {efficacy:.0%}" for efficacy, _ in one.flares]
    table = new_table("region", "dogs covered", *shares, "visits")
    for region in regions(practice).values():
        if region.id not in beside.cover:
            continue
        one = beside.cover[region.id]
        share, (fewest, most) = one.covered_share, one.visits
        table.add_row(
            region.name,
            "not known" if share is None else f"{share:.0%}",
            *(f"{flares:.0f}" for _, flares in one.flares),
            f"{fewest:.0f}-{most:.0f}",
        )
    print_table(table)
    paragraph(
        "Flares are those of the weeks ahead if no dog were covered, by the share of flares that "
        "cover prevents; visits are what the diary will see with cover as it was in the last year. "
        "Where cover is not known nothing is made up for it."
    )


def show_record(scores: pd.DataFrame) -> None:
    """Print how forecasts from past origins did, by lead, against the two references."""
    from models.backtest import summarise

    summary = summarise(scores, references=("climatology", "last season"))
    table = new_table(
        "weeks ahead",
        "weeks scored",
        "error against climatology",
        "error against last season",
        "50 % band held",
        "90 % band held",
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
