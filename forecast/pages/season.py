"""The season: all regions at a glance, which weeks are likely high, and what that rests on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from datetime import date, datetime

import numpy as np
import pandas as pd
import xarray as xr

from forecast.accounts.roles import Right
from forecast.figures import STRIP, groups, names_of_regions
from forecast.issuing import Issue
from forecast.pages.beginning import Step, steps
from forecast.pages.figure_pages import FigureShown, figure_shown
from forecast.pages.issue_reading import held, latest
from forecast.pages.outside import SourceRow
from forecast.pages.page import Asked, NotFoundError, Page, Row, View
from forecast.pages.record_shown import RecordShown, record_shown
from forecast.pollen_counts import exposure_is_from
from forecast.practice import Practice
from forecast.risk import SeasonWindow, exposure_seasons, seasons_not_known
from forecast.season_words import season_answer, spells
from forecast.wording import (
    day,
    days,
    named_regions,
    odds,
    opening_sentences,
)
from models.allergens import catalogue

NO_ISSUE = "No forecast has been issued yet."


@dataclass(frozen=True)
class IssueShown:
    """Which issue a page shows, and until when its data reach; None is not known."""

    id: str
    kind: str
    origin: date
    issued_at: datetime
    weather_until: date
    visits_until: date | None
    age_days: int


@dataclass(frozen=True)
class RegionRow:
    """One region on the season page; None is not known.

    Attributes
    ----------
    spells
        In which spells of weeks high weeks are likely, in words.
    best_week
        Monday of the week with the highest odds.
    odds, usual_odds
        Odds that it is a high week, and what climatology gives for it.
    expected, low, high
        Flare visits of that week: median, and the 5 and 95 % quantiles.
    this_week
        Odds that the week of the forecast's own day is high.
    """

    id: str
    name: str
    spells: str
    best_week: date | None
    odds: float | None
    usual_odds: float | None
    expected: float | None
    low: float | None
    high: float | None
    this_week: float | None

    @property
    def odds_in_words(self) -> str:
        """The odds as a fraction."""
        return "not known" if self.odds is None else odds(self.odds)

    @property
    def usual_in_words(self) -> str:
        """What is usual for that week, as a fraction."""
        return "not known" if self.usual_odds is None else odds(self.usual_odds)


@dataclass(frozen=True)
class AllergenRow:
    """One allergen over the regions shown: where its modelled season runs, where it comes next."""

    id: str
    name: str
    on_now: str
    next_start: str
    n_regions: int


@dataclass(frozen=True)
class SeasonPage:
    """Everything the season page says.

    `answer` is the sentence; `opening` what must be known before it is read. `figures` are the
    strips of the regions in `regions`, those of this part of `n_parts`. `exposure_from` says what
    exposure rests on, `sources_fault` why it is not known how sources stand. Without any issue all
    but the answer, the sources and the `steps` to the first one is empty.
    """

    answer: str
    opening: tuple[str, ...]
    issue: IssueShown | None
    figures: tuple[FigureShown, ...]
    regions: tuple[RegionRow, ...]
    allergens: tuple[AllergenRow, ...]
    sources: tuple[SourceRow, ...]
    record: RecordShown | None
    part: int
    n_parts: int
    n_regions: int
    find: str
    exposure_from: str = ""
    sources_fault: str = ""
    steps: tuple[Step, ...] = ()

    @property
    def n_stale(self) -> int:
        """How many sources are older than they may be."""
        return sum(bool(source.is_stale) for source in self.sources)


def season(asked: Asked) -> View:
    """Answer which weeks are likely high, of all regions that they may see."""
    sources, fault = asked.outside.told_sources(asked.practice, asked.records, asked.climate)
    issue = latest(asked.practice, asked.records)
    if issue is None:
        begun = steps(asked.records, sources)
        empty = SeasonPage(
            NO_ISSUE, (), None, (), (), (), sources, None, 1, 1, 0, "", "", fault, steps=begun
        )
        return View("season.html", empty, {"sources": _rows(sources)})
    page = replace(_page(asked, issue, sources), sources_fault=fault)
    tables = {
        "regions": _rows(page.regions),
        "allergens": _rows(page.allergens),
        "sources": _rows(page.sources),
    }
    return View("season.html", page, tables)


def _page(asked: Asked, issue: Issue, sources: tuple[SourceRow, ...]) -> SeasonPage:
    practice = asked.practice
    names = names_of_regions(practice, issue)
    if asked.regions is not None:
        names = {region: name for region, name in names.items() if region in asked.regions}
    find = asked.query.get("find", "").strip()
    found = [one for one, name in names.items() if find.casefold() in name.casefold()]
    parts = groups(found) or [[]]
    part = _part_asked(asked, len(parts))
    shown = {one: names[one] for one in parts[part - 1]}
    key = (issue.file, practice.settings_sha256)
    return SeasonPage(
        held.value((*key, "answer", *names), lambda: _answer(issue, names)),
        held.value((*key, "opening"), lambda: tuple(opening_sentences(issue, names))),
        issue_shown(practice, issue),
        _figures(asked, issue, list(shown), None if find else part),
        held.value((*key, "regions", *shown), lambda: _regions(issue, shown)),
        held.value((*key, "allergens", *shown), lambda: _allergens(issue, shown)),
        sources,
        record_shown(practice, asked.records, kind="issued"),
        part,
        len(parts),
        len(found),
        find,
        exposure_is_from(issue.forecast.attrs),
    )


def _part_asked(asked: Asked, n_parts: int) -> int:
    text = asked.query.get("part", "1")
    if not text.isascii() or not text.isdigit() or not 1 <= int(text[:9]) <= n_parts:
        raise NotFoundError(f"part {text!r} of the regions was asked for; there are {n_parts}")
    return int(text)


def _answer(issue: Issue, names: dict[str, str]) -> str:
    if not names:
        return "None of your branches lies in a region of this forecast."
    if not issue.has_visits:
        return "Exposure and season dates only: no visits are known, so there are no odds of them."
    return season_answer(issue.forecast, names)


def issue_shown(practice: Practice, issue: Issue) -> IssueShown:
    """Return which issue a page shows."""
    return held.value(
        ("issue shown", issue.file, practice.today), lambda: _issue_shown(practice, issue)
    )


def _issue_shown(practice: Practice, issue: Issue) -> IssueShown:
    until = None
    if issue.has_visits:
        known = issue.forecast["flare_visits_past"].notnull().any("region").values
        weeks = issue.forecast["past_week"].values[known]
        until = (pd.Timestamp(weeks[-1]) + pd.Timedelta(days=6)).date() if len(weeks) else None
    return IssueShown(
        issue.id,
        issue.cut.kind,
        issue.cut.origin,
        issue.issued_at,
        date.fromisoformat(str(issue.forecast.attrs["weather_until"])),
        until,
        (practice.today - issue.cut.origin).days,
    )


def _figures(
    asked: Asked, issue: Issue, regions: list[str], part: int | None
) -> tuple[FigureShown, ...]:
    """Return the strips of a part together, or one by one where the part is of some regions."""
    whole = part is not None and asked.regions is None
    wanted = [f"season-{part}"] if whole else [f"{STRIP}{region}" for region in regions]
    made = (figure_shown(asked.practice, issue, name) for name in wanted)
    return tuple(figure for figure in made if figure is not None)


def _regions(issue: Issue, names: dict[str, str]) -> tuple[RegionRow, ...]:
    return tuple(_region(issue.forecast, region, name) for region, name in names.items())


def _region(forecast: xr.Dataset, region: str, name: str) -> RegionRow:
    unknown = RegionRow(region, name, "not known", *([None] * 7))
    if "odds_high" not in forecast:
        return unknown
    chance = forecast["odds_high"].sel(region=region).values
    if not np.isfinite(chance).any():
        return unknown
    best = int(np.nanargmax(chance))
    one = forecast.sel(region=region).isel(week=best)
    levels = one["visits_quantiles"]
    expected, low, high = (
        known(levels.sel(quantile=level, method="nearest")) for level in (0.5, 0.05, 0.95)
    )
    return RegionRow(
        region,
        name,
        spells(forecast, region),
        pd.Timestamp(str(one["week"].values)).date(),
        known(chance[best]),
        known(one["climatology_odds"]),
        expected,
        low,
        high,
        known(chance[0]),
    )


def known(value: object) -> float | None:
    """Return a number, or None where it is not known."""
    number = float(value)  # type: ignore[arg-type]
    return number if np.isfinite(number) else None


def _allergens(issue: Issue, names: dict[str, str]) -> tuple[AllergenRow, ...]:
    if not names:
        return ()
    forecast = issue.forecast.sel(region=list(names))
    by_allergen: dict[str, list[SeasonWindow]] = {}
    for window in exposure_seasons(forecast):
        by_allergen.setdefault(str(window.allergen), []).append(window)
    origin, known_names = issue.cut.origin, catalogue()
    unknown = {allergen for _, allergen in seasons_not_known(forecast)}
    rows = []
    for allergen in forecast["allergen"].values.astype(str):
        listed = forecast["listed"].sel(allergen=allergen).values > 0
        if not listed.any():
            continue
        windows = by_allergen.get(allergen, [])
        rows.append(
            AllergenRow(
                allergen,
                known_names[allergen].name,
                _on_now(windows, origin, names),
                _next_start(windows, origin, names, is_known=allergen not in unknown),
                int(listed.sum()),
            )
        )

    def first_start(row: AllergenRow) -> tuple[date, str]:
        starts = [window.start[1] for window in by_allergen.get(row.id, [])]
        return min(starts, default=date.max), row.name

    return tuple(sorted(rows, key=first_start))


def _on_now(windows: Sequence[SeasonWindow], origin: date, names: dict[str, str]) -> str:
    now = [window for window in windows if window.start[1] <= origin <= window.end[1]]
    if not now:
        return "nowhere"
    last = max(window.end[2] for window in now)
    where = "all" if len(now) == len(names) > 1 else named_regions([names[w.region] for w in now])
    return f"{where}; likely over by {day(last)}"


def _next_start(
    windows: Sequence[SeasonWindow], origin: date, names: dict[str, str], *, is_known: bool
) -> str:
    coming = sorted((w for w in windows if w.start[1] > origin), key=lambda w: w.start[1])
    if not coming:
        if not is_known:
            return "not known, for want of weather"
        return "not before this one is over" if windows else "no season ahead"
    first = coming[0]
    year = f" {first.start[1].year}" if first.start[1].year != origin.year else ""
    return f"{days(first.start[0], first.start[2])}{year} ({names[first.region]} first)"


def _rows(values: Sequence[object]) -> list[Row]:
    return [asdict(value) for value in values]  # type: ignore[call-overload]


PAGES = (Page("/", "season", Right.SEE_FORECAST, season, has_data=True, menu="Season"),)
