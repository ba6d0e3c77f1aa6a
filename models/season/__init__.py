"""Seasons of airborne allergens from weather: when they start, how fast they run, when they end.

``season_rate`` gives the share of a season on each day, ``season_dates`` reads start, peak and end
off it. One family a file: ``heat_sum``, ``chill_heat``, ``short_day``, ``weather_index``,
``indoor_index``; ``onset`` fits observed flowering, whose regional offsets move the seasons.
"""

from models.season.dates import season_dates
from models.season.onset import FloweringOnset, OnsetError, indicator_shift
from models.season.rate import season_rate
from models.season.years import SeasonError

__all__ = [
    "FloweringOnset",
    "OnsetError",
    "SeasonError",
    "indicator_shift",
    "season_dates",
    "season_rate",
]
