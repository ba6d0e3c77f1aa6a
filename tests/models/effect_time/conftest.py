"""Invented dogs under a long-acting dose whose true effect times are known."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np
import pandas as pd
import pytest

KNOWN_ON = date(2024, 12, 31)
RELAPSE_SCORE = 3.6


def waits(rng) -> int:
    """Draw the days until an owner comes: gamma of mean 6 and shape 1.5, from 1 to 14."""
    return int(np.clip(np.ceil(rng.gamma(1.5, 4.0)), 1, 14))


@dataclass(frozen=True)
class Dogs:
    """Doses, scores and risk weeks of invented dogs, and the truth of each dose."""

    doses: pd.DataFrame
    scores: pd.DataFrame
    risk: pd.DataFrame
    truth: np.ndarray


def make_dogs(
    seed,
    *,
    dogs=150,
    years=4,
    shape=2.5,
    typical=30.0,
    alike=6.0,
    non_responders=0.1,
    calendar=0.4,
    unsaid=0.2,
    season=(130, 260),
    every=10.0,
    first_dose=(0, 10),
):
    """Draw dogs that are dosed from the start of their risk weeks, scored all the year.

    A dose is followed by another when the dog itches again (a few days later), or by calendar after
    28 or 35 days, as comes first; the last of a season lies near its end. Out of season a dog is
    quiet whatever the drug does.
    """
    rng = np.random.default_rng(seed)
    rate = np.log(2) / typical**shape
    doses, scores, risk, truth = [], [], [], []
    for number in range(dogs):
        dog, own = f"dog {number}", rate * rng.gamma(alike, 1 / alike)
        responds = rng.random() > non_responders
        for year in range(2025 - years, 2025):
            first = pd.Timestamp(year, 1, 1) + pd.Timedelta(
                days=season[0] + int(rng.integers(-15, 15))
            )
            end = pd.Timestamp(year, 1, 1) + pd.Timedelta(
                days=season[1] + int(rng.integers(-15, 15))
            )
            risk.append((dog, first, end))
            day, reason = first + pd.Timedelta(days=int(rng.integers(*first_dose))), "itch"
            while True:
                said = "not known" if rng.random() < unsaid else reason
                doses.append((dog, day, said))
                lasts = (rng.exponential() / own) ** (1 / shape) if responds else 0.0
                truth.append(lasts)
                again = day + pd.Timedelta(days=int(np.ceil(lasts)) + waits(rng))
                planned = day + pd.Timedelta(days=int(rng.choice([28, 35])))
                by_calendar = rng.random() < calendar
                itches = day + pd.Timedelta(days=int(np.ceil(lasts)))
                following = (
                    planned
                    if by_calendar and planned < again
                    else max(again, day + pd.Timedelta(days=8))
                )
                reason = "calendar" if following == planned and by_calendar else "itch"
                stop = min(following, end + pd.Timedelta(days=120))
                at = day + pd.Timedelta(days=int(rng.integers(7, 12)))
                while at < stop:
                    itchy = itches <= at and at < end and at >= first
                    scores.append((dog, at, rng.uniform(4, 9) if itchy else rng.uniform(0, 3)))
                    at += pd.Timedelta(days=1 + int(rng.exponential(every)))
                if following >= end:
                    break
                day = following
    frame = pd.DataFrame(doses, columns=["dog", "date", "reason"])
    return Dogs(
        frame,
        pd.DataFrame(scores, columns=["dog", "date", "pvas"]),
        pd.DataFrame(risk, columns=["dog", "first", "end"]),
        np.array(truth),
    )


@pytest.fixture(scope="session")
def invented_dogs():
    """Give the maker of invented dogs."""
    return make_dogs
