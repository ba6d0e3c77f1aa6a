"""Culprits: which groups of allergens a practice's, or a dog's, flares follow, beyond the season.

A time-stratified case-crossover. It speaks of populations: it is no diagnosis, never goes into a
letter to an owner, and is never the basis of an immunotherapy recipe.

====================== =====================================================================
module                 what it holds
====================== =====================================================================
``risk_sets``          each flare visit beside the other days on which it might have come
``lags``               exposure some days before the itch began; the wait until the visit
``conditional_logit``  odds ratios, the wait integrated over
``year_blocks``        the same test with exposure of other years
``false_discovery``    what many tests at once may claim
``record``             the record of exposure as arrays, a driver at a lag
``odds``               the practice's odds ratios, and what may be claimed
``dog``                one dog's odds ratios, drawn to its practice's
``flare_calendar``     flares by day of the year: seasonal or perennial
====================== =====================================================================
"""

from models.culprits.dog import DogOdds, dog_odds
from models.culprits.flare_calendar import FlareCalendar, flare_calendar
from models.culprits.odds import Culprits, LagOdds, culprits
from models.culprits.risk_sets import CulpritError, RiskSets, risk_sets

__all__ = [
    "CulpritError",
    "Culprits",
    "DogOdds",
    "FlareCalendar",
    "LagOdds",
    "RiskSets",
    "culprits",
    "dog_odds",
    "flare_calendar",
    "risk_sets",
]
