"""Observed plants as the page of a region tells them: a sentence each, and the dates."""

from __future__ import annotations

from dataclasses import dataclass

import xarray as xr

from forecast.risk import FloweringWindow, flowering_windows
from forecast.wording import flowering_sentence


@dataclass(frozen=True)
class FloweringRow:
    """A plant that is observed and in its season; dates as in `forecast.risk.FloweringWindow`."""

    plant: str
    sentence: str
    window: FloweringWindow

    def flat(self) -> dict[str, object]:
        """Return a row with a column for each date."""
        low, middle, high = self.window.days or (None, None, None)
        early, late = self.window.half or (None, None)
        return {
            "plant": self.plant,
            "flowers_10": low,
            "flowers_25": early,
            "flowers_50": middle,
            "flowers_75": late,
            "flowers_90": high,
            "never": self.window.never,
            "own_dates": self.window.own_dates,
            "reported": self.window.seen,
            "likely_over": self.window.likely_over,
        }


def flowering_rows(forecast: xr.Dataset, region: str) -> tuple[FloweringRow, ...]:
    """Return the plants of a region that are in their season, the earliest first."""
    return tuple(
        FloweringRow(window.plant, flowering_sentence(window), window)
        for window in flowering_windows(forecast, region)
    )
