"""Seasons of airborne allergens from weather: when they start, how fast they run, when they end.

``season_rates`` gives the share of a season on each day, ``season_onsets`` when half of the plants
have started, ``season_dates`` reads start, peak and end off rates or exposure. One family a file:
``heat_sum``, ``chill_heat``, ``short_day``, ``weather_index``, ``indoor_index``.

``onset`` fits observed flowering, whose regional offsets move the seasons: ``families`` of
development, fitted by ``family_fit``, are predictors of ``station_regression``; ``in_season``
forecasts a flowering to come (``onset_ahead`` on a day, from ``continued_seasons``), ``hindcast``
tries the fit on later years.
"""

from models.season.dates import season_dates
from models.season.flowering_dates import OnsetError
from models.season.onset import FloweringOnset, indicator_shift
from models.season.onset_ahead import onset_ahead
from models.season.rate import season_onsets, season_rate, season_rates
from models.season.years import SeasonError

__all__ = [
    "FloweringOnset",
    "OnsetError",
    "SeasonError",
    "indicator_shift",
    "onset_ahead",
    "season_dates",
    "season_onsets",
    "season_rate",
    "season_rates",
]
