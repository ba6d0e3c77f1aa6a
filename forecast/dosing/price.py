"""What a dose must spare to be worth giving: asked of the owner, else the practice's own setting.

practice.toml must give it, and every plan says whose word it rests on.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from forecast.dosing.dog_record import DogRecord, Reason
from forecast.dosing.work_up import HOUSE
from models.words import number_of

FACT = "flare_weeks_per_dose"
_ASK = (
    "ask the owner how many weeks of itch one dose must spare to be worth it, and record it on the "
    f"page of the dog, or as the fact {FACT}"
)


@dataclass(frozen=True)
class Price:
    """The flare-weeks that a dose must be expected to spare; asked of the owner on a day.

    `asked` is None where it is the practice's setting for all its dogs.
    """

    flare_weeks: float
    asked: date | None

    @property
    def reason(self) -> Reason:
        """What every plan that was weighed with it says."""
        spared = number_of(self.flare_weeks, "flare-week")
        worth = f"a dose is given where it is expected to spare {spared}"
        if self.asked is not None:
            return Reason("price", f"{worth}, as the owner said on {self.asked}", HOUSE)
        sentence = f"{worth}: this practice's setting, as the owner was not asked"
        return Reason("price_not_asked", sentence, HOUSE, known=False, change=_ASK)


def price_for(dog: DogRecord, of_practice: float) -> Price:
    """Return the owner's price where one was said, else the practice's."""
    if dog.flare_weeks_per_dose is not None:
        return Price(dog.flare_weeks_per_dose, dog.price_asked)
    return Price(of_practice, None)
