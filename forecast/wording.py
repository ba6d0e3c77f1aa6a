"""Answers in a sentence: what the season looks like, in words a practice uses.

One place turns numbers into words, so that the command line, a chart's title, a letter and a page
say the same thing. Odds are said as fractions, never as colours or levels.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from datetime import date
from fractions import Fraction
from itertools import groupby
from math import expm1

import numpy as np
import pandas as pd
import xarray as xr

from forecast.explaining import change_in_words, explained_weeks
from forecast.issuing import Issue
from forecast.risk import (
    FloweringWindow,
    SeasonWindow,
    Span,
    exposure_seasons,
    flowering_windows,
    seasons_not_known,
)
from models.allergens import catalogue
from models.flare.attribution import FOUND, Evidence
from models.parameters import load_table
from models.weeks import monday_of

LIKELY = 0.5
SELDOM = 0.03  # below this, and above one less this, odds are not said as a fraction
DAYS_IN_YEAR = 365
NAMED_REGIONS = 5  # a sentence names no more of them
NAMED_PARTS = 3  # of what moves a forecast, the largest
_RARELY = 0.03  # odds that go without saying
_NO_CHANGE = 0.02  # of a rate: what is less is not named
_PROPER_NAMES = {"Japanese", "Alternaria", "Cladosporium"}  # of a country, and of genera
INVENTED = "Invented practice on real weather: the visits, dogs and owners are made up."
_SPOKEN = [
    Fraction(1, 20),
    Fraction(1, 10),
    Fraction(1, 5),
    Fraction(1, 4),
    Fraction(1, 3),
    Fraction(1, 2),
    Fraction(2, 3),
    Fraction(3, 4),
    Fraction(4, 5),
    Fraction(9, 10),
    Fraction(19, 20),
]


def odds(probability: float) -> str:
    """Say a probability as the nearest plain fraction: ``3 in 4``."""
    if not np.isfinite(probability):
        return "not known"
    if probability < SELDOM:
        return "under 1 in 30"
    if probability > 1.0 - SELDOM:
        return "over 29 in 30"
    nearest = plain_fraction(probability)
    return f"{nearest.numerator} in {nearest.denominator}"


def beside_usual(probability: float, usual: float) -> str:
    """Say odds beside what is usual for that week: ``2 in 3, usual 1 in 3``.

    Odds without what is usual cannot be read: 1 in 2 is much in March and little in August.
    """
    return f"{odds(probability)}, usual {odds(usual)}"


def plain_fraction(probability: float) -> Fraction:
    """Return the nearest fraction that is easily said, 1/20 to 19/20."""
    return min(_SPOKEN, key=lambda f: abs(float(f) - probability))


def day(moment: date) -> str:
    """Say a day shortly: ``18 May``."""
    return f"{moment.day} {moment:%b}"


def one_line(text: str) -> str:
    """Return a text in one line, each sign that is not seen a blank: for headers and calendars."""
    return " ".join("".join(sign if sign.isprintable() else " " for sign in text).split())


def full_day(moment: date) -> str:
    """Say a day with its year: ``18 May 2023``."""
    return f"{day(moment)} {moment.year}"


def days(first: date, last: date) -> str:
    """Say a span of days shortly: ``9-21 May`` or ``28 Apr-3 May``; with years where it needs them.

    A span over New Year reads well without (``28 Dec-3 Jan``), one of a year or more does not.
    """
    if first == last:
        return day(first)
    if (last - first).days >= DAYS_IN_YEAR:
        return f"{day(first)} {first.year}-{day(last)} {last.year}"
    if (first.year, first.month) == (last.year, last.month):
        return f"{first.day}-{day(last)}"
    return f"{day(first)}-{day(last)}"


def span(window: Span) -> str:
    """Say a date with its spread: ``14 May (9-21 May)``."""
    return f"{day(window[1])} ({days(window[0], window[2])})"


def season_sentence(window: SeasonWindow, name: str, origin: date) -> str:
    """Say when a season likely starts, peaks and ends, as seen from a day."""
    ends = f"ends {days(max(window.end[0], origin), window.end[2])}"
    if window.start[1] < origin:
        peak = "" if window.peak[1] < origin else f", peaks about {day(window.peak[1])}"
        return f"{name} is likely on since {day(window.start[1])}{peak} and {ends}"
    half = ""
    if window.start_half is not None:
        half = f" (in half of the futures {days(*window.start_half)})"
    return (
        f"{name} likely starts {days(window.start[0], window.start[2])}{half}, peaks about "
        f"{day(window.peak[1])} and {ends}"
    )


def flowering_sentence(window: FloweringWindow) -> str:
    """Say when an observed plant will flower, or likely did, and what that rests on."""
    name = window.plant.capitalize()
    if window.seen is not None:
        return f"{name} flowered on {day(window.seen)}, as reported."
    if window.days is None or window.half is None:
        least = load_table("models.season", "season.toml").number("in_season.least_traces")
        return (
            f"{name} is in its season and not forecast here: that takes {least:g} earlier years of "
            "this region's weather; bring them with `forepaw pull` or `forepaw import weather`."
        )
    rests = f"learnt from {window.own_dates} dates of this region"
    if not window.own_dates:
        rests = "no date of this region is known: learnt from others, so the spread is wider"
    fails = "" if window.never < _RARELY else f"; {odds(window.never)} that it does not come"
    flowers = "has likely flowered, unreported," if window.likely_over else "likely flowers"
    return (
        f"{name} {flowers} {days(window.days[0], window.days[2])}, as likely as not "
        f"{days(*window.half)}{fails} ({rests})."
    )


def season_cell(window: SeasonWindow, origin: date) -> tuple[str, str]:
    """Say a season's days, and the spread of what is still ahead of it, as seen from a day.

    A season of a later year is said with its year.
    """
    ends = f"ends {days(max(window.end[0], origin), window.end[2])}"
    if window.start[2] < origin:
        return f"on since {day(window.start[1])}", ends
    if window.start[1] < origin:
        return "likely on now", ends
    year = f" {window.end[1].year}" if window.start[1].year > origin.year else ""
    start = f"start {days(window.start[0], window.start[2])}"
    return days(window.start[1], window.end[1]) + year, start


def region_sentence(issued: xr.Dataset, region: str, name: str) -> str:
    """Say the answer for one region: the likely high weeks, the highest, and what to expect."""
    if "odds_high" not in issued:
        return (
            f"{name}: exposure and season dates only; without visits there are no counts, "
            "no odds of visits and no plans."
        )
    one = issued.sel(region=region)
    chance = one["odds_high"].to_series()
    if not np.isfinite(chance).any():
        return (
            f"{name}: flare visits are not known, as no week of visits of this region is on "
            "record; exposure and season dates only. Bring its visits in with `forepaw import "
            "visits FILE`."
        )
    best = pd.Timestamp(str(chance.idxmax()))
    expected = one["visits_quantiles"].sel(week=best)
    numbers = [float(expected.sel(quantile=q, method="nearest")) for q in (0.05, 0.5, 0.95)]
    visits = "flare visit" if f"{numbers[1]:.0f}" == "1" else "flare visits"
    diary = (
        f"expect {numbers[1]:.0f} {visits} that week "
        f"(9 times in 10 between {numbers[0]:.0f} and {numbers[2]:.0f})"
    )
    most = beside_usual(float(chance.max()), float(one["climatology_odds"].sel(week=best)))
    likely = runs([pd.Timestamp(w).date() for w in chance.index[chance >= LIKELY]])
    if not likely:
        return (
            f"{name}: no week ahead is more likely high than not; the highest odds are "
            f"{most}, in the week of {day(best.date())}; {diary}."
        )
    year = likely[0][0].year
    spans = " and ".join(
        days(first, last) + (f" {first.year}" if first.year != year else "")
        for first, last in likely
    )
    return (
        f"{name}: high weeks are likely {spans}, the week of {day(best.date())} most of all "
        f"({most}); {diary}."
    )


def exposure_sentence(issued: xr.Dataset, region: str, name: str) -> str:
    """Say for one region which modelled seasons run at the origin and which come next."""
    origin = date.fromisoformat(str(issued.attrs["origin"]))
    known = catalogue()
    one = issued.sel(region=[region])
    windows = sorted(exposure_seasons(one), key=lambda window: window.start[1])
    now = [w for w in windows if w.start[1] <= origin <= w.end[1]]
    after = [w for w in windows if w.start[1] > origin][:2]
    said = [
        f"{within(known[str(w.allergen)].name)} now, likely over {days(w.end[0], w.end[2])}"
        for w in now
    ]
    said += [
        f"{within(known[str(w.allergen)].name)} from {days(w.start[0], w.start[2])}" for w in after
    ]
    unknown = [within(known[allergen].name) for _, allergen in sorted(seasons_not_known(one))]
    if unknown:
        said.append(f"not known of {listed(unknown)}, for want of weather")
    return f"Modelled exposure in {name}: " + ("; ".join(said) or "no season ahead") + "."


def explanation_sentence(issued: xr.Dataset, region: str, name: str) -> str | None:
    """Say what moves the week with the highest odds away from what is usual; None if not kept."""
    weeks = explained_weeks(issued, region)
    if not weeks:
        return None
    best = pd.Timestamp(str(issued["odds_high"].sel(region=region).to_series().idxmax())).date()
    one = next(week for week in weeks if week.week == best)
    share = expm1(one.departure)
    beside = f"{100 * abs(share):.0f} % {'more' if share > 0 else 'fewer'} than"
    if abs(share) < _NO_CHANGE:
        beside = "about as many as"
    *parts, (rest, remainder) = one.parts.items()
    told = sorted(parts, key=lambda part: -abs(part[1]))[:NAMED_PARTS]
    named = [
        f"{part} ({change_in_words(value)})" for part, value in told if abs(value) > _NO_CHANGE
    ]
    moved = f"moved most by {listed(named)}; " if named else ""
    return (
        f"{name}, week of {day(best)}: {one.forecast:.1f} flares per 1,000 consultations, "
        f"{beside} the {one.usual:.1f} of the same weeks of past years; {moved}{rest} makes "
        f"{change_in_words(remainder)}."
    )


def opening_sentences(issue: Issue, names: Mapping[str, str]) -> list[str]:
    """Say what must be known before a forecast is read: invented, past, without visits, late."""
    said = [INVENTED] if issue.forecast.attrs["invented"] else []
    if issue.cut.kind == "hindcast":
        said.append("A hindcast: made after that day, from what was known before it.")
    if not issue.has_visits:
        said.append(
            "Exposure and season dates only: no counts, no odds of visits, no plans, since "
            f"{issue.forecast.attrs['why_no_visits']}."
        )
    return said + source_sentences(issue.forecast, names)


def answer(issue: Issue, names: Mapping[str, str]) -> list[str]:
    """Return the whole answer in sentences: what it rests on, then region by region."""
    attrs = issue.forecast.attrs
    head = f"{attrs['practice']}: forecast as of {issue.cut.origin} ({issue.cut.kind}, issue "
    lines = [f"{head}{issue.id})", *opening_sentences(issue, names)]
    for region, name in names.items():
        if issue.has_visits:
            lines.append(region_sentence(issue.forecast, region, name))
            lines += filter(None, [explanation_sentence(issue.forecast, region, name)])
        lines.append(exposure_sentence(issue.forecast, region, name))
        plants = flowering_windows(issue.forecast, region)
        lines += [f"In {name}: {flowering_sentence(window)}" for window in plants]
    return [*lines, str(attrs["credit"])]


def source_sentences(issued: xr.Dataset, names: Mapping[str, str]) -> list[str]:
    """Say which source ends early or has holes, until when, what stands in, what to do.

    `names` gives the names of the regions to speak of. Empty where everything reaches the day
    before the origin.
    """
    origin = date.fromisoformat(str(issued.attrs["origin"]))
    until = date.fromisoformat(str(issued.attrs["weather_until"]))
    stale, gaps = (
        [one for one in json.loads(issued.attrs.get(what, "[]")) if one["region"] in names]
        for what in ("stale_sources", "weather_gaps")
    )
    late = {kind: [one for one in stale if one["source"] == kind] for kind in ("weather", "visits")}
    missing = (origin - until).days - 1
    said = []
    if missing > 0:
        of = f" of {_regions(late['weather'], names)}" if late["weather"] else ""
        between = "the day between" if missing == 1 else f"the {missing} days between"
        do = f"; {_newer_weather(issued)}" if late["weather"] else ""
        said.append(
            f"Weather{of} is held until {full_day(until)} only: past years stand in for "
            f"{between}{do}."
        )
    for sunday, same in groupby(sorted(late["visits"], key=_until), key=_until):
        week = monday_of(date.fromisoformat(sunday))
        said.append(
            f"Visits of {_regions(list(same), names)} are on record up to the week of {day(week)} "
            f"{week.year} only: flares since then are not known, and the forecast goes on without "
            "them; bring newer ones in with `forepaw import visits FILE`."
        )
    for gap in gaps:
        first, last = date.fromisoformat(gap["first"]), date.fromisoformat(gap["last"])
        of = f"{gap['n_days']} days of " if gap["n_days"] > 1 else ""
        said.append(
            f"Weather of {names[gap['region']]} is not known on {of}{days(first, last)} "
            f"{last.year}: nor is past exposure then, and of pollen that follows the warmth not "
            "until its season is over; past years stand in for the forecast."
        )
    return said


def _newer_weather(issued: xr.Dataset) -> str:
    load = "load newer weather with `forepaw import weather FILE`"
    if not issued.attrs.get("sources_in_use"):
        return load
    return f"fetch newer weather with `forepaw pull`, or {load.replace('newer weather', 'it')}"


def _until(one: Mapping[str, str]) -> str:
    return one["until"]


def _regions(found: Sequence[Mapping[str, str]], names: Mapping[str, str]) -> str:
    """Name the regions of some sources: the first few, and how many more."""
    return named_regions([names[one["region"]] for one in found])


def named_regions(named: Sequence[str]) -> str:
    """Name the first few regions, and how many more there are."""
    more = len(named) - NAMED_REGIONS
    return listed(named if more <= 0 else [*named[:NAMED_REGIONS], f"{more} more regions"])


def within(name: str) -> str:
    """Return a name as it is written within a sentence: ``birch pollen``, ``Alternaria spores``."""
    proper = name.split()[0] in _PROPER_NAMES
    return name if proper else name[0].lower() + name[1:]


def listed(names: Sequence[str]) -> str:
    """Join names as a sentence does: ``Birch, Oak and Grass``."""
    return " and ".join([", ".join(names[:-1]), names[-1]] if len(names) > 1 else names)


def evidence_sentence(evidence: Evidence) -> str:
    """Say what the visits tell of one family of drivers."""
    name = evidence.family.capitalize()
    if evidence.verdict != FOUND:
        return f"{name}: what it does to flares cannot be told from these visits."
    more = [
        100.0 * (np.exp(value) - 1.0) for value in (evidence.effect, evidence.low, evidence.high)
    ]
    reached = round(evidence.p_value * (evidence.stretches + 1)) - 1
    return (
        f"{name}: found. Weeks one standard deviation above normal go with {more[0]:.0f} % more "
        f"flare visits (9 in 10 between {more[1]:.0f} and {more[2]:.0f} %); "
        f"{reached or 'none'} of {evidence.stretches} other stretches of weather fit these visits "
        "as well."
    )


def runs(weeks: list[date]) -> list[tuple[date, date]]:
    """Join weeks that follow each other, or with one week between, into spans of days."""
    joined: list[tuple[date, date]] = []
    for week in weeks:
        sunday = date.fromordinal(week.toordinal() + 6)
        if joined and (week - joined[-1][1]).days <= 8:
            joined[-1] = (joined[-1][0], sunday)
        else:
            joined.append((week, sunday))
    return joined
