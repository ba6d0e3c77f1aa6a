"""One region: when its weeks are high, why the forecast says so, and how it did before."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from datetime import date

import numpy as np
import pandas as pd
import xarray as xr

from forecast.accounts.roles import Right
from forecast.evidence_files import BesideIssue, CoverDecides, read_beside, read_evidence
from forecast.figures import names_of_regions
from forecast.issuing import Issue
from forecast.model_words import review_sentences
from forecast.pages.explanation_shown import (
    ExplanationShown,
    explanation_rows,
    explanation_shown,
)
from forecast.pages.figure_pages import FigureShown, figure_shown
from forecast.pages.flowering_shown import FloweringRow, flowering_rows
from forecast.pages.issue_reading import held, latest, one_region
from forecast.pages.page import Asked, NotFoundError, Page, Row, View
from forecast.pages.record_shown import RecordShown, record_shown
from forecast.pages.season import IssueShown, issue_shown, known
from forecast.pages.validation import validation_page
from forecast.practice import parse_settings
from forecast.risk import (
    SeasonWindow,
    exposure_seasons,
    flare_seasons,
    seasons_not_known,
)
from forecast.season_words import allergen_sentence
from forecast.training import review_from
from forecast.wording import (
    LIKELY,
    evidence_sentence,
    exposure_sentence,
    full_day,
    odds,
    opening_sentences,
    region_sentence,
    season_cell,
    span,
)
from models.allergens import catalogue

FIGURES = ("visits", "years", "exposure")
NOT_KNOWN = "not known"


@dataclass(frozen=True)
class WeekRow:
    """One week ahead; None is not known.

    Attributes
    ----------
    odds, usual_odds
        Odds that it is a high week, and what climatology gives for it.
    expected, low, high
        Flare visits: median, and the 5 and 95 % quantiles.
    usual
        Flare visits that climatology gives, its median.
    likely
        Whether it is more likely high than not.
    """

    week: date
    odds: float | None
    usual_odds: float | None
    expected: float | None
    low: float | None
    high: float | None
    usual: float | None
    likely: bool

    @property
    def odds_in_words(self) -> str:
        """The odds as a fraction."""
        return NOT_KNOWN if self.odds is None else odds(self.odds)

    @property
    def usual_in_words(self) -> str:
        """What is usual, as a fraction."""
        return NOT_KNOWN if self.usual_odds is None else odds(self.usual_odds)


@dataclass(frozen=True)
class SeasonRow:
    """The next season of flares, or of an allergen's modelled exposure.

    `sentence` says all of it, `days` and `spread` the least; `start`, `peak` and `end` are three
    dates each, for 10, 50 and 90 % of the futures, None where there is no season ahead or it is not
    known.
    """

    name: str
    kind: str
    days: str
    spread: str
    peak_in_words: str
    start: tuple[date, date, date] | None
    peak: tuple[date, date, date] | None
    end: tuple[date, date, date] | None
    share_of_futures: float | None
    sentence: str = ""


@dataclass(frozen=True)
class RegionPage:
    """Everything the page of a region says.

    `answer` is the sentence, `exposure_answer` that of its allergens; `opening` what must be known
    before they are read. `flowering` are the plants that were observed, while in season.
    `explanation` says what moves each week from what is usual, `why` what the forecast rests on,
    `review` what the yearly review of its model found, `evidence` what the practice's own visits
    tell of what drives flares; None where that was not kept with the issue. `coming_in` are weeks
    that have not all come in, `cover` what hangs on how much cover prevents. `record` is how
    forecasts of the region did, `validation` what the models reached on others' data. Without
    visits of the region `weeks` is empty.
    """

    id: str
    name: str
    answer: str
    exposure_answer: str
    opening: tuple[str, ...]
    issue: IssueShown
    figures: tuple[FigureShown, ...]
    weeks: tuple[WeekRow, ...]
    seasons: tuple[SeasonRow, ...]
    flowering: tuple[FloweringRow, ...]
    explanation: ExplanationShown | None
    why: tuple[str, ...]
    review: tuple[str, ...]
    evidence: tuple[str, ...] | None
    coming_in: tuple[str, ...]
    cover: CoverDecides | None
    record: RecordShown
    validation: tuple[str, ...]


def region(asked: Asked) -> View:
    """Answer when the weeks of one region are likely high, and why."""
    whole = latest(asked.practice, asked.records)
    if whole is None:
        raise NotFoundError("a region was asked for, and no forecast has been issued yet")
    names = names_of_regions(asked.practice, whole)
    wanted = asked.path["region"]
    if wanted not in names:
        raise NotFoundError(
            f"region {wanted!r} was asked for; the latest forecast has none of that id"
        )
    page = _page(asked, whole, wanted, names[wanted])
    tables: dict[str, Sequence[Row]] = {
        "weeks": [asdict(week) for week in page.weeks],
        "seasons": [_flat(row) for row in page.seasons],
        "flowering": [row.flat() for row in page.flowering],
        "why": explanation_rows(page.explanation),
        "record": [asdict(row) for row in page.record.by_lead],
    }
    return View("region.html", page, tables)


def _page(asked: Asked, whole: Issue, region_id: str, name: str) -> RegionPage:
    practice = asked.practice
    one = one_region(whole, region_id)
    forecast = one.forecast
    key = (whole.file, practice.settings_sha256, region_id)
    shown = (figure_shown(practice, whole, f"{kind}-{region_id}") for kind in FIGURES)
    evidence = read_evidence(practice, whole.id)
    beside = read_beside(practice, whole.id) or BesideIssue()
    return RegionPage(
        region_id,
        name,
        held.value((*key, "answer"), lambda: region_sentence(forecast, region_id, name)),
        held.value((*key, "exposure"), lambda: exposure_sentence(forecast, region_id, name)),
        held.value((*key, "opening"), lambda: tuple(opening_sentences(one, {region_id: name}))),
        issue_shown(practice, whole),
        tuple(figure for figure in shown if figure is not None),
        held.value((*key, "weeks"), lambda: _weeks(one, region_id)),
        held.value((*key, "seasons"), lambda: _seasons(one)),
        held.value((*key, "flowering"), lambda: flowering_rows(forecast, region_id)),
        explanation_shown(practice, whole, region_id),
        held.value((*key, "why"), lambda: _why(one, region_id)),
        held.value((*key, "review"), lambda: _review(one)),
        None if evidence is None else tuple(evidence_sentence(told) for told in evidence),
        beside.coming_in.get(region_id, ()),
        beside.cover.get(region_id),
        record_shown(practice, asked.records, kind="issued", region=region_id),
        validation_page().sentences,
    )


def _weeks(issue: Issue, region_id: str) -> tuple[WeekRow, ...]:
    if not issue.knows_visits_of(region_id):
        return ()
    one = issue.forecast.sel(region=region_id)
    expected, low, high = (
        one["visits_quantiles"].sel(quantile=level, method="nearest").values
        for level in (0.5, 0.05, 0.95)
    )
    climatology = one["climatology_quantiles"].sel(quantile=0.5, method="nearest").values
    chance, usual = one["odds_high"].values, one["climatology_odds"].values
    return tuple(
        WeekRow(
            week=pd.Timestamp(week).date(),
            odds=known(chance[at]),
            usual_odds=known(usual[at]),
            expected=known(expected[at]),
            low=known(low[at]),
            high=known(high[at]),
            usual=known(climatology[at]),
            likely=bool(np.isfinite(chance[at]) and chance[at] >= LIKELY),
        )
        for at, week in enumerate(one["week"].values)
    )


def _seasons(issue: Issue) -> tuple[SeasonRow, ...]:
    """Return the flare season, then the exposure seasons in the order in which they come."""
    origin, forecast = issue.cut.origin, issue.forecast
    rows = []
    if issue.has_visits:
        rows += [_season_row("Flares", window, origin) for window in flare_seasons(forecast)]
        if not rows:
            told = "no season ahead" if issue.has_draws else "no longer kept with this issue"
            rows.append(_without("Flares", "flare", told))
    names = catalogue()
    windows = sorted(exposure_seasons(forecast), key=lambda window: window.start[1])
    rows += [
        replace(
            _season_row(names[str(w.allergen)].name, w, origin),
            sentence=allergen_sentence(forecast, w),
        )
        for w in windows
    ]
    given = {window.allergen for window in windows}
    unknown = {allergen for _, allergen in seasons_not_known(forecast)}
    for allergen in forecast["allergen"].values.astype(str):
        listed = bool((forecast["listed"].sel(allergen=allergen) > 0).any())
        if listed and allergen not in given:
            told = NOT_KNOWN if allergen in unknown else "no season ahead"
            rows.append(_without(names[allergen].name, "exposure", told))
    return tuple(rows)


def _season_row(name: str, window: SeasonWindow, origin: date) -> SeasonRow:
    days, spread = season_cell(window, origin)
    return SeasonRow(
        name,
        window.kind,
        days,
        spread,
        span(window.peak),
        window.start,
        window.peak,
        window.end,
        round(window.share_of_draws, 3),
    )


def _without(name: str, kind: str, told: str) -> SeasonRow:
    return SeasonRow(name, kind, told, "", "", None, None, None, None)


def _flat(row: SeasonRow) -> dict[str, object]:
    """Return a row with a column for each of its dates."""
    flat: dict[str, object] = {"name": row.name, "kind": row.kind, "days": row.days}
    for what in ("start", "peak", "end"):
        dates = getattr(row, what) or (None, None, None)
        flat |= {f"{what}_{level}": day for level, day in zip((10, 50, 90), dates, strict=True)}
    return flat | {"share_of_futures": row.share_of_futures}


def _review(issue: Issue) -> tuple[str, ...]:
    found = review_from(str(issue.forecast.attrs.get("review", "")))
    return () if found is None else tuple(review_sentences(found))


def _why(issue: Issue, region_id: str) -> tuple[str, ...]:
    """Say what the forecast of a region rests on."""
    until = date.fromisoformat(str(issue.forecast.attrs["weather_until"]))
    told = [
        f"The weather up to {full_day(until)} is known; what comes "
        "after is taken from every past year's weather in turn, so each future is one that has "
        "happened."
    ]
    if not issue.knows_visits_of(region_id):
        return tuple(told)
    one = issue.forecast.sel(region=region_id)
    n_weeks = int(one["flare_visits_past"].notnull().sum())
    covered = one["covered_share_past"].values
    covered = covered[np.isfinite(covered)]
    told.append(
        f"The model was learnt from what was known on {full_day(issue.model_cut.origin)}; of the "
        f"last {one.sizes['past_week']} weeks the visits of {n_weeks} are known."
    )
    settings = parse_settings(str(issue.forecast.attrs["settings_text"])).forecast
    above = round(100 * (1 - settings.high_week_centile))
    told.append(
        f"A week is called high above {float(one['threshold']):.1f} flares per 1,000 "
        f"consultations, counted as if no dog were covered: {above} % of this region's past weeks "
        "were above it."
    )
    if len(covered):
        told.append(
            f"In the last week known the share of dogs under cover is put at "
            f"{100 * covered[-1]:.0f} %; the diary sees fewer flares for it, and the forecast "
            "takes that into account by a published effect, with its spread."
        )
    told += _closed_weeks(one)
    told.append(
        "Climatology, what the same weeks of past years were like, is always part of the forecast; "
        "temperature, humidity and, where it enters, exposure move it by how far they are from "
        "what is usual there in that week."
    )
    return tuple(told)


def _closed_weeks(one: xr.Dataset) -> list[str]:
    """Say which weeks ahead hold listed closures, and that visits are fewer for it."""
    if "open_share" not in one:
        return []
    weeks = one["week"].values[one["open_share"].values < 1.0]
    if not len(weeks):
        return []
    each = ", ".join(
        f"{full_day(pd.Timestamp(week).date())} "
        f"({100 * (1 - float(one['open_share'].sel(week=week))):.0f} %)"
        for week in weeks
    )
    return [
        "Closures listed for days to come take their part of the visits and consultations of these "
        f"weeks: {each}. The odds of a high week are of flares per 1,000 consultations, which "
        "closed days do not move; visits that owners put off to days around are not counted there."
    ]


PAGES = (Page("/regions/{region}", "region", Right.SEE_FORECAST, region, has_data=True),)
