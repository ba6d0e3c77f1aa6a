"""The season in a sentence: all regions at once, one strip of it, a year beside those before.

Also when an allergen's modelled season comes, and what that date rests on.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date

import numpy as np
import pandas as pd
import xarray as xr

from forecast.risk import SeasonWindow
from forecast.wording import (
    LIKELY,
    beside_usual,
    day,
    days,
    listed,
    named_regions,
    odds,
    region_sentence,
    runs,
    season_sentence,
)
from models.allergens import catalogue
from models.weeks import monday_of

SPELLS = 2  # of high weeks that are named beside a strip
WEEKS_IN_YEAR = 52
YEARS_TOLD = 3


def season_answer(issued: xr.Dataset, names: Mapping[str, str]) -> str:
    """Say of some regions, by id, where and when high weeks are likely, and the highest odds."""
    if len(names) == 1 or "odds_high" not in issued:
        return " ".join(region_sentence(issued, region, name) for region, name in names.items())
    chance = issued["odds_high"].sel(region=list(names)).transpose("region", "week").values
    told = np.isfinite(chance).any(axis=1)
    unknown = [name for name, known in zip(names.values(), told, strict=True) if not known]
    if not told.any():
        return (
            f"Flare visits of these {len(names)} regions are not known; exposure and season dates "
            "only."
        )
    rest = f" Not known in {named_regions(unknown)}." if unknown else ""
    weeks = [pd.Timestamp(week).date() for week in issued["week"].values]
    row, column = np.unravel_index(int(np.nanargmax(chance)), chance.shape)
    name = list(names)[row]
    usual = issued["climatology_odds"].sel(region=name, week=issued["week"][column])
    best = f"{beside_usual(float(chance[row, column]), float(usual))}, in {names[name]} in the "
    best += f"week of {day(weeks[int(column)])}"
    likely = np.nan_to_num(chance) >= LIKELY
    if not likely.any():
        return (
            "In no region is a week ahead more likely high than not; the highest odds are "
            f"{best}.{rest}"
        )
    with_any = likely.any(axis=1)
    many = f"{int(with_any.sum())} of {len(names)}"
    if with_any.all():
        many = "both" if len(names) == 2 else f"all {len(names)}"
    begins = np.where(with_any, likely.argmax(axis=1), len(weeks))
    first = int(begins.min())
    where = [
        name for name, begin in zip(names.values(), begins, strict=True) if int(begin) == first
    ]
    running = weeks[first] <= monday_of(date.fromisoformat(str(issued.attrs["origin"])))
    when = "now" if running else f"from {day(weeks[first])}"
    here = "" if len(where) == len(names) else f"first in {named_regions(where)} "
    return (
        f"High weeks are likely in {many} regions, {here}{when}; the highest odds are {best}.{rest}"
    )


def strip_words(issued: xr.Dataset, region: str, *, short: bool = False) -> str:
    """Say beside a region's strip when high weeks are likely and how likely the likeliest is."""
    chance = issued["odds_high"].sel(region=region).to_series()
    if not np.isfinite(chance).any():
        return "not known"
    best = pd.Timestamp(str(chance.idxmax())).date()
    most = f"{odds(float(chance.max()))} in the week of {day(best)}"
    if short:
        return most
    return f"{spells(issued, region)}; {most}"


def spells(issued: xr.Dataset, region: str) -> str:
    """Say in which spells of weeks a region's high weeks are likely."""
    chance = issued["odds_high"].sel(region=region).to_series()
    if not np.isfinite(chance).any():
        return "not known"
    likely = runs([pd.Timestamp(week).date() for week in chance.index[chance >= LIKELY]])
    if not likely:
        return "no week likely high"
    told = [
        days(first, last) + (f" {first.year}" if first.year != likely[0][0].year else "")
        for first, last in likely[:SPELLS]
    ]
    more = len(likely) - SPELLS
    if more > 0:
        told.append(f"{more} more spell{'s' if more > 1 else ''}")
    return f"likely high {listed(told)}"


def year_sentence(issued: xr.Dataset, region: str, name: str) -> str:
    """Say how many flare visits the weeks ahead bring, and what the same weeks had before."""
    one = issued.sel(region=region)
    n_weeks = one.sizes["week"]
    expected = f"{name}: {float(one['visits_mean'].sum()):.0f} flare visits are expected in the "
    expected += f"{n_weeks} weeks ahead"
    seen = one["flare_visits_past"].to_series()
    before = []
    for back in range(1, YEARS_TOLD + 1):
        then = pd.DatetimeIndex(one["week"].values) - pd.Timedelta(days=7 * WEEKS_IN_YEAR * back)
        had = seen.reindex(then).dropna()
        if len(had) == n_weeks:
            before.append(f"{had.sum():.0f}")
        elif len(had):
            before.append(f"{had.sum():.0f} in {len(had)} weeks known")
        else:
            break
    if not before:
        return f"{expected}; what the same weeks had in years before is not known."
    order = ", the last year first" if len(before) > 1 else ""
    return f"{expected}; the same weeks of the years before had {listed(before)}{order}."


def allergen_sentence(issued: xr.Dataset, window: SeasonWindow) -> str:
    """Say when the modelled season of an allergen comes, and by what its dates were moved."""
    allergen = catalogue()[str(window.allergen)]
    origin = date.fromisoformat(str(issued.attrs["origin"]))
    said = season_sentence(window, allergen.name, origin)
    if "flowering_dates" not in issued:
        return f"{said} (modelled)."
    rests = "no flower that is observed shares its season: the catalogue's dates, unmoved"
    if allergen.indicator in issued["plant"].values:
        where = {"region": window.region, "plant": allergen.indicator}
        number = int(issued["flowering_dates"].sel(where))
        rests = f"moved by {number} dates of {allergen.indicator} of this region"
        if not number:
            rests = f"no date of {allergen.indicator} of this region is known: moved by others'"
    elif allergen.indicator:
        rests = f"no dates of {allergen.indicator} are held: the catalogue's dates, unmoved"
    return f"{said} (modelled; {rests})."
