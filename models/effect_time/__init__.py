"""Effect time: how many days a long-acting dose holds, in a practice and in one dog.

================== =========================================================================
module             what it holds
================== =========================================================================
``follow_up``      what became of each dose, seen inside the dog's own risk weeks only
``likelihood``     what that says of a Weibull effect time with a rate of each dog's own
``population``     shape, typical time, spread between dogs and share of non-responders, pooled
``dog``            the gamma update of one dog's rate, its effect time, and the label's range
================== =========================================================================
"""

from models.effect_time.dog import EffectTime, effect_time, label_range
from models.effect_time.follow_up import EffectTimeError, FollowUps, follow_ups
from models.effect_time.likelihood import Population
from models.effect_time.population import fit_population

__all__ = [
    "EffectTime",
    "EffectTimeError",
    "FollowUps",
    "Population",
    "effect_time",
    "fit_population",
    "follow_ups",
    "label_range",
]
