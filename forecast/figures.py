"""From an issue to its figures: the values each figure shows, its answer, its source line.

All figures of an issue have the same weeks from left to right: a quarter of a year behind, and all
weeks ahead; what moves the forecast has these alone.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Protocol

import numpy as np
import pandas as pd
import xarray as xr
from altair import VConcatChart

from forecast.charts import theme
from forecast.charts.departures import departure_chart, departure_text, key_of
from forecast.charts.exposure import UNKNOWN, exposure_chart, exposure_text
from forecast.charts.fan import fan_chart, fan_text
from forecast.charts.past_years import KEY as YEARS_KEY
from forecast.charts.past_years import past_years_chart, past_years_text
from forecast.charts.season import KEY as SEASON_KEY
from forecast.charts.season import season_chart, season_text
from forecast.explaining import (
    explained_regions,
    explained_weeks,
    explanation_frame,
)
from forecast.issuing import Issue
from forecast.practice import Practice
from forecast.regions import regions
from forecast.season_words import WEEKS_IN_YEAR, season_answer, strip_words, year_sentence
from forecast.wording import (
    INVENTED,
    LIKELY,
    explanation_sentence,
    exposure_sentence,
    region_sentence,
    source_sentences,
)
from models.allergens import catalogue
from models.flare.forecaster import past_rates

PAST_WEEKS = 13
REGIONS_IN_A_FIGURE = 20
MEDIAN = "Ahead the median of the futures is drawn, as their mean is no longer kept."
SEASON = "season-"  # how the names of the figures of many regions begin
STRIP = "strip-"  # how the name of the figure of one region's strip begins
SMOOTHED = 5  # weeks, of past years' lines
YEARS = ("three years before", "two years before", "one year before")
BANDS = {"lower_90": 0.05, "lower_50": 0.25, "median": 0.5, "upper_50": 0.75, "upper_90": 0.95}


class Draw(Protocol):
    """Draws a figure at a width, with sentences under a pointer if asked so."""

    def __call__(self, *, width: int = ..., hover: bool = ...) -> VConcatChart:
        """Draw it."""


@dataclass(frozen=True)
class Figure:
    """One figure of an issue.

    Attributes
    ----------
    name
        In files and addresses.
    title
        What it answers.
    keys
        How it is to be read.
    credit
        The line that the owners of the data ask for.
    text
        What it shows, for those who do not see it.
    draw
        Draws it, with title, credit, keys and what must be known of the issue.
    """

    name: str
    title: str
    keys: tuple[str, ...]
    credit: str
    text: str
    draw: Draw


def names_of_regions(practice: Practice, issue: Issue) -> dict[str, str]:
    """Return the names of an issue's regions, in the order of practice.toml.

    One that is no longer there comes after them, by its id.
    """
    named = {region.id: region.name for region in regions(practice).values()}
    held = dict.fromkeys(issue.forecast["region"].values.astype(str).tolist())
    ordered = [*(one for one in named if one in held), *(one for one in held if one not in named)]
    return {one: named.get(one, one) for one in ordered}


def figures(practice: Practice, issue: Issue) -> Iterator[Figure]:
    """Yield each figure of an issue: the season, then those of each region.

    These are its fan, past years, exposure and what moves its forecast; of one whose visits are not
    known, exposure alone. Without any visits there is no season. The strip of a single region is in
    the season's, so it is left out here.
    """
    for name, make in figure_makers(practice, issue).items():
        if not name.startswith(STRIP):
            yield make(name)


def figure_makers(practice: Practice, issue: Issue) -> dict[str, Callable[[str], Figure]]:
    """Return the names of an issue's figures, each with what makes it, in their order."""
    names = names_of_regions(practice, issue)
    makers: dict[str, Callable[[str], Figure]] = {}
    if issue.has_visits:
        for page, some in enumerate(groups(list(names)), start=1):
            makers[f"{SEASON}{page}"] = _Maker(_season, issue, {one: names[one] for one in some})
    explained = explained_regions(issue.forecast)
    for region, words in names.items():
        one = {region: words}
        if issue.has_visits:
            makers[f"{STRIP}{region}"] = _Maker(_season, issue, one)
        if issue.knows_visits_of(region):
            makers[f"visits-{region}"] = _Maker(_fan, issue, one)
            if past_is_told(issue.forecast, region):
                makers[f"years-{region}"] = _Maker(_past_years, issue, one)
        makers[f"exposure-{region}"] = _Maker(_exposure, issue, one)
        if region in explained and issue.knows_visits_of(region):
            makers[f"why-{region}"] = _Maker(_why, issue, one)
    return makers


def groups(regions_: list[str]) -> list[list[str]]:
    """Return regions in the groups that one figure of the season shows."""
    size = REGIONS_IN_A_FIGURE
    return [regions_[at : at + size] for at in range(0, len(regions_), size)]


@dataclass(frozen=True)
class _Maker:
    draw: Callable[..., Figure]
    issue: Issue
    names: dict[str, str]

    def __call__(self, name: str) -> Figure:
        return self.draw(name, self.issue, self.names)


def _season(name: str, issue: Issue, names: dict[str, str]) -> Figure:
    forecast = issue.forecast.sel(region=list(names))
    title = season_answer(forecast, names)
    source, note = _source(issue), _note(issue, names)

    def draw(*, width: int = theme.WIDTH, hover: bool = False) -> VConcatChart:
        return season_chart(
            season_frame(forecast, names),
            words={
                words: strip_words(forecast, one, short=theme.is_narrow(width))
                for one, words in names.items()
            },
            title=title,
            source=source,
            issued=pd.Timestamp(forecast["week"].values[0]),
            note=note,
            width=width,
            hover=hover,
        )

    strips = {words: strip_words(forecast, one) for one, words in names.items()}
    text = season_text(strips, title=title)
    return Figure(name, title, (SEASON_KEY,), source, text, draw)


def _fan(name: str, issue: Issue, names: dict[str, str]) -> Figure:
    ((region, words),) = names.items()
    title = region_sentence(issue.forecast, region, words)
    source, note = _source(issue), _note(issue, names)

    frame = fan_frame(issue.forecast, region)

    def draw(*, width: int = theme.WIDTH, hover: bool = False) -> VConcatChart:
        return fan_chart(frame, title=title, source=source, note=note, width=width, hover=hover)

    text = fan_text(frame, title=title)
    return Figure(name, title, (), source, text, draw)


def _past_years(name: str, issue: Issue, names: dict[str, str]) -> Figure:
    ((region, words),) = names.items()
    title = year_sentence(issue.forecast, region, words)
    source, note = _source(issue), _note(issue, names)

    past, ahead = past_years_frames(issue.forecast, region)

    def draw(*, width: int = theme.WIDTH, hover: bool = False) -> VConcatChart:
        return past_years_chart(
            past, ahead, title=title, source=source, note=note, width=width, hover=hover
        )

    text = past_years_text(past, ahead, title=title)
    return Figure(name, title, (YEARS_KEY,), source, text, draw)


def _why(name: str, issue: Issue, names: dict[str, str]) -> Figure:
    ((region, words),) = names.items()
    title = str(explanation_sentence(issue.forecast, region, words))
    source, note = _source(issue), _note(issue, names)
    frame = explanation_frame(explained_weeks(issue.forecast, region))
    since = pd.Timestamp(issue.forecast["past_week"].values[-PAST_WEEKS:][0])

    def draw(*, width: int = theme.WIDTH, hover: bool = False) -> VConcatChart:
        return departure_chart(
            frame, title=title, source=source, note=note, since=since, width=width, hover=hover
        )

    text = departure_text(frame, title=title)
    return Figure(name, title, (key_of(frame),), source, text, draw)


def _exposure(name: str, issue: Issue, names: dict[str, str]) -> Figure:
    ((region, words),) = names.items()
    title = exposure_sentence(issue.forecast, region, words)
    source, note = _source(issue), _note(issue, names)
    median = () if issue.has_draws else (MEDIAN,)
    note = " ".join([note, *median])

    frame = exposure_frame(issue.forecast, region)

    def draw(*, width: int = theme.WIDTH, hover: bool = False) -> VConcatChart:
        return exposure_chart(
            frame,
            title=title,
            source=source,
            issued=pd.Timestamp(issue.forecast["week"].values[0]),
            note=note,
            width=width,
            hover=hover,
        )

    text = exposure_text(frame, title=title)
    keys = (UNKNOWN,) if frame["exposure"].isna().any() else ()
    return Figure(name, title, (*keys, *median), source, text, draw)


def _source(issue: Issue) -> str:
    return str(issue.forecast.attrs["credit"])


def _note(issue: Issue, names: dict[str, str]) -> str:
    kind = "Hindcast" if issue.cut.kind == "hindcast" else "Issued"
    parts = [f"{kind} as of {issue.cut.origin}, issue {issue.id}."]
    if issue.forecast.attrs["invented"]:
        parts.append(INVENTED)
    return " ".join([*parts, *source_sentences(issue.forecast, names)])


# ------------------------------------------------------------------------------------------ frames
def season_frame(forecast: xr.Dataset, names: dict[str, str]) -> pd.DataFrame:
    """Return the weeks of some regions as the season figure draws them, past and ahead."""
    past = forecast.isel(past_week=slice(-PAST_WEEKS, None))
    seen = xr.Dataset(
        {
            name: past[f"{name}_past"].rename(past_week="week")
            for name in ("flare_visits", "consultations", "covered_share")
        }
    )
    rate = 1000.0 * past_rates(seen)["pressure_rate"]
    threshold = forecast["threshold"]
    frames = []
    for region, words in names.items():
        own, limit = rate.sel(region=region), float(threshold.sel(region=region))
        known = own.notnull().values & np.isfinite(limit)
        high = [bool(a) if b else None for a, b in zip(own.values > limit, known, strict=True)]
        odds = forecast["odds_high"].sel(region=region).values
        frames.append(
            pd.DataFrame(
                {
                    "region": words,
                    "week": [*own["week"].values, *forecast["week"].values],
                    "odds": [*np.full(len(high), np.nan), *odds],
                    "was_high": pd.array([*high, *[None] * len(odds)], dtype="boolean"),
                    "likely": [*np.full(len(high), False), *(odds >= LIKELY)],
                }
            ).drop_duplicates("week", keep="last")
        )
    joined: pd.DataFrame = pd.concat(frames, ignore_index=True)
    return joined


def fan_frame(forecast: xr.Dataset, region: str) -> pd.DataFrame:
    """Return the weeks of one region as the fan draws them, past and ahead."""
    one = forecast.sel(region=region)
    past = one["flare_visits_past"].isel(past_week=slice(-PAST_WEEKS, None))
    seen = pd.DataFrame({"week": past["past_week"].values, "observed": past.values})
    quantiles = one["visits_quantiles"]
    ahead = pd.DataFrame({"week": one["week"].values})
    for column, level in BANDS.items():
        ahead[column] = quantiles.sel(quantile=level, method="nearest").values
    ahead["climatology"] = one["climatology_quantiles"].sel(quantile=0.5, method="nearest").values
    volume = one["consultations_quantiles"].sel(quantile=0.5, method="nearest").values
    ahead["threshold"] = float(one["threshold"]) * volume / 1000.0
    ahead["high"] = one["odds_high"].values >= LIKELY
    seen = seen[seen["week"] < ahead["week"].iloc[0]].assign(high=False)
    joined: pd.DataFrame = pd.concat([seen, ahead], ignore_index=True)
    return joined


def past_is_told(forecast: xr.Dataset, region: str) -> bool:
    """Say whether any visit of a region is known a year or more before the weeks ahead."""
    before = forecast["week"].values[-1] - np.timedelta64(7 * WEEKS_IN_YEAR, "D")
    held = forecast["flare_visits_past"].sel(region=region)
    return bool(held.where(held["past_week"] <= before).notnull().any())


def past_years_frames(forecast: xr.Dataset, region: str) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return past years' visits laid on the weeks of the figures, 52 weeks a year, and these weeks.

    Of weeks before the past that an issue tells, nothing is drawn.
    """
    fan = fan_frame(forecast, region)
    held = forecast["flare_visits_past"].sel(region=region).to_series()
    smooth = held.rolling(SMOOTHED, center=True, min_periods=SMOOTHED // 2 + 1).mean()
    smooth = smooth.where(held.notna())
    weeks = pd.DatetimeIndex(fan["week"])
    parts = []
    for back, year in zip(range(len(YEARS), 0, -1), YEARS, strict=True):
        then = weeks - pd.Timedelta(days=7 * WEEKS_IN_YEAR * back)
        told = then.isin(held.index)
        part = pd.DataFrame(
            {
                "week": weeks[told],
                "visits": held.reindex(then[told]).to_numpy(),
                "smooth": smooth.reindex(then[told]).to_numpy(),
            }
        )
        if part["visits"].notna().any():
            parts.append(part.assign(year=year))
    past = pd.concat(parts, ignore_index=True) if parts else pd.DataFrame()
    return past, fan[["week", "observed", "lower_90", "median", "upper_90"]]


def exposure_frame(forecast: xr.Dataset, region: str) -> pd.DataFrame:
    """Return weekly exposure by allergen, observed weather behind and the mean of draws ahead.

    Where the draws are no longer kept it is the median of them.
    """
    one = forecast.sel(region=region)
    known = catalogue()
    frames = []
    for allergen in forecast["allergen"].values[one["listed"].values > 0]:
        own = one.sel(allergen=allergen)
        past = own["exposure_past"].isel(past_week=slice(-PAST_WEEKS, None))
        if "exposure_ahead" in own:
            ahead = own["exposure_ahead"].mean("draw")
        else:
            ahead = own["exposure_quantiles"].sel(quantile=0.5, method="nearest")
        frame = pd.DataFrame(
            {
                "week": [*past["past_week"].values, *ahead["week"].values],
                "allergen": known[str(allergen)].name,
                "exposure": [*past.values, *ahead.values],
            }
        )
        frames.append(frame.drop_duplicates("week", keep="last"))
    joined: pd.DataFrame = pd.concat(frames, ignore_index=True)
    return joined
