"""What the model of visits rests on, in sentences: the yearly review, and weeks still coming in.

What cannot be separated is said as such: neither driver is given what the two share.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd
import xarray as xr

from forecast.wording import full_day, listed
from models.flare.exposure_decision import KEPT, NOT_YET_KNOWN, Effect, ExposureDecision
from models.flare.recalibration import Recalibration
from models.flare.yearly_review import YearlyReview, seasons_needed


def review_sentences(reviewed: YearlyReview) -> list[str]:
    """Say what the yearly review found, a sentence or two each."""
    found = [_spread_sentence(reviewed.recalibration)]
    if reviewed.exposure is not None:
        found = [_exposure_sentence(reviewed), *_humidity_sentences(reviewed.exposure), *found]
    return found


def nowcast_sentences(nowcast: xr.Dataset, named: Mapping[str, str]) -> list[str]:
    """Say of each week and region still coming in how many flare visits there will have been.

    Parameters
    ----------
    nowcast
        What `forecast.training.weeks_coming_in` returns.
    named
        Name of each region, by its id.
    """
    found = []
    for week in nowcast["week"].values:
        for region in nowcast["region"].values:
            one = nowcast.sel(week=week, region=region)
            low, middle, high = (float(v) for v in one["flare_visits"].values)
            if np.isfinite(middle):
                found.append(
                    f"{named.get(str(region), str(region))}: of the week of "
                    f"{full_day(pd.Timestamp(week))} {100 * float(one['reported_share']):.0f} % "
                    f"has come in, {float(one['so_far']):.0f} flare visits so far; likely "
                    f"{middle:.0f} in the end (9 in 10 between {low:.0f} and {high:.0f})."
                )
    return found


def _exposure_sentence(reviewed: YearlyReview) -> str:
    told = reviewed.exposure
    assert told is not None
    name = f"Exposure ({listed(told.groups)})"
    when = f"Looked at once a year, on weeks before {full_day(reviewed.reviewed)}."
    if told.verdict == NOT_YET_KNOWN:
        return (
            f"{name} is left out of the forecast of visits for now: whether it helps is not yet "
            f"known, as {told.seasons} of the {seasons_needed()} seasons it takes are on record. "
            f"{when}"
        )
    what = (
        "enters the forecast of visits"
        if told.verdict == KEPT
        else "is left out of the forecast of visits, as it is not shown to help"
    )
    return (
        f"{name} {what}: with it each past season is foretold from the others with "
        f"{told.ratio:.2f} of the error without (9 in 10 between {told.low:.2f} and "
        f"{told.high:.2f}, from {told.seasons} seasons; {told.region_seasons} region-seasons, "
        f"which tell as much as {told.effective:.0f} independent ones). {when}"
    )


def _humidity_sentences(told: ExposureDecision) -> list[str]:
    beside, alone = told.humidity_with, told.humidity_without
    if beside is None or alone is None or not np.isfinite(told.shared):
        return [
            "Humidity: nothing can be told of it beside exposure, as it never departs from usual."
        ]
    apart = "have more exposure" if told.together > 0 else "have less exposure"
    return [
        f"Humidity one standard deviation above usual goes with {_effect(alone)} flare visits "
        f"where exposure is left out of the fit, and {_effect(beside)} where it is in.",
        f"Of humidity's ups and downs {100 * told.shared:.0f} % go along with exposure's (damper "
        f"weeks {apart}). Dry air lifts pollen and moist air lifts itch: whose that part of the "
        f"flares is, these visits cannot tell; the other {100 * (1 - told.shared):.0f} % can be "
        "told apart.",
    ]


def _effect(effect: Effect) -> str:
    value, low, high = (
        f"{100.0 * np.expm1(one):+.0f}" for one in (effect.value, effect.low, effect.high)
    )
    return f"{value} % ({low} to {high} %)"


def _spread_sentence(told: Recalibration) -> str:
    if told.seasons < seasons_needed():
        return (
            "How wide the bands should be is not checked against past seasons yet: "
            f"{told.seasons} of the {seasons_needed()} it takes can be foretold from those before."
        )
    flares, others = _wide(told.pressure), _wide(told.consultations)
    return (
        f"As forecasts of {told.seasons} earlier seasons showed, the bands of flare visits are "
        f"drawn {flares}, those of all other consultations {others}."
    )


def _wide(factor: float) -> str:
    return "as the models have them" if factor == 1.0 else f"{factor:.2f} times as wide"
