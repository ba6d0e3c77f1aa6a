"""The practice's diary, day by day: who flares, who calls when, who is seen and what is done.

All dogs of a day are drawn at once; only the few that flare, call or are seen are then walked
through one by one.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from jobs.demo.dogs import THERAPIES, Population
from jobs.demo.places import TABLE, Places, listed, stream

KINDS = ("itch flare", "recheck", "scheduled dose", "other")
FLARE, RECHECK, SCHEDULED, OTHER = range(4)
STATUSES = ("given", "dispensed", "declined")
GIVEN, DISPENSED, DECLINED = range(3)
TABLET, INJECTION, _, SHORT_COURSE = range(4)

_FLARE_STREAM, _EVENT_STREAM = 20, 21
_LONG_AGO = -1_000_000


@dataclass(frozen=True)
class Order:
    """What is done at a visit that a named case's story fixes; no therapy means none."""

    therapy: int | None = None
    declined: bool = False


@dataclass(frozen=True)
class Call:
    """An owner's call about an itching dog."""

    dog: int
    onset: int
    order: Order | None = None


@dataclass(frozen=True)
class Script:
    """What the named cases' stories fix: who is quiet in which days, and which calls come."""

    quiet: tuple[int, ...] = ()
    quiet_from: int = 0
    quiet_until: int = 0
    calls: tuple[tuple[int, Call], ...] = ()


@dataclass
class Diary:
    """What happened. Rows are tuples of numbers; `protection` and `itching` are [day, dog]."""

    protection: NDArray[np.float32]
    itching: NDArray[np.bool_]
    flares: list[tuple[int, int]] = field(default_factory=list)
    calls: list[tuple[int, int, int]] = field(default_factory=list)
    visits: list[tuple[int, int, int]] = field(default_factory=list)
    therapies: list[tuple[int, int, int, int, bool]] = field(default_factory=list)


def keep_diary(
    population: Population,
    hazard: NDArray[np.float64],
    *,
    places: Places,
    seed: int,
    script: Script | None = None,
) -> Diary:
    """Live through all days and return what happened.

    Parameters: `hazard` is [day, dog] without cover [flares per day], zero where a dog is absent.
    """
    desk = _Desk(population, hazard, places=places, seed=seed, script=script or Script())
    for day in range(places.n_days):
        desk.live(day)
    return desk.diary


class _Desk:
    """The state between two days: who cannot flare anew, what is booked, what was last done."""

    def __init__(
        self,
        population: Population,
        hazard: NDArray[np.float64],
        *,
        places: Places,
        seed: int,
        script: Script,
    ) -> None:
        n_days, n_dogs = hazard.shape
        self.population, self.places = population, places
        # A stream a dog: what one dog does never shifts what chance has for another.
        self.rng = [stream(seed, _EVENT_STREAM, dog) for dog in range(n_dogs)]
        self.hazard = hazard.copy()
        self.hazard[script.quiet_from : script.quiet_until, list(script.quiet)] = 0.0
        # A standard exponential below the hazard: the chance is 1 - exp(-hazard).
        self.draws = stream(seed, _FLARE_STREAM).exponential(size=(n_days, n_dogs))
        self.diary = Diary(
            protection=np.zeros((n_days, n_dogs), dtype=np.float32),
            itching=np.zeros((n_days, n_dogs), dtype=bool),
        )
        self.free_from = np.zeros(n_dogs, dtype=np.int64)
        self.booked = np.zeros((n_days, len(places.regions)), dtype=np.int64)
        self.room = int(TABLE.number("diary.itch_visits_a_day"))
        self.calls: dict[int, list[Call]] = defaultdict(list)
        self.seen: dict[int, list[Call]] = defaultdict(list)
        self.rechecks: dict[int, list[int]] = defaultdict(list)
        self.doses: dict[int, list[int]] = defaultdict(list)
        self.last_therapy = np.full(n_dogs, -1, dtype=np.int64)
        self.last_injection = np.full(n_dogs, _LONG_AGO, dtype=np.int64)
        self.chosen = np.array([TABLE.number(f"therapy.{name}.chosen") for name in THERAPIES])
        for day, call in script.calls:
            self.calls[day].append(call)

    def live(self, day: int) -> None:
        likely = self.hazard[day] * (1.0 - self.diary.protection[day])
        for dog in np.flatnonzero((self.draws[day] < likely) & (self.free_from <= day)).tolist():
            self._flare(day, dog)
        for call in self.calls.pop(day, []):
            self._book(day, call)
        for call in self.seen.pop(day, []):
            if self._is_here(day, call.dog):
                self._see_flare(day, call)
        for dog in self.rechecks.pop(day, []):
            if self._is_here(day, dog):
                self.diary.visits.append((day, dog, RECHECK))
        for dog in self.doses.pop(day, []):
            if self._is_here(day, dog):
                self._scheduled_dose(day, dog)

    def _is_here(self, day: int, dog: int) -> bool:
        return bool(self.population.joined[dog] <= day < self.population.gone[dog])

    def _open_day(self, day: int, dog: int) -> int | None:
        """Return the first open day of the dog's branch from that day on, if any is left."""
        is_open = self.places.open[day:, self.population.branch[dog]]
        first = int(is_open.argmax()) if is_open.size else 0
        return day + first if is_open.size and is_open[first] else None

    def _flare(self, day: int, dog: int) -> None:
        mean, shape = TABLE.number("diary.delay_mean"), TABLE.number("diary.delay_shape")
        delay = int(self.rng[dog].gamma(shape, mean / shape))
        self.diary.flares.append((day, dog))
        self.calls[day + delay].append(Call(dog, day))
        self.free_from[dog] = self.places.n_days

    def _book(self, day: int, call: Call) -> None:
        """Give the first open day with room left in the branch's diary."""
        branch = self.population.branch[call.dog]
        seen = self._open_day(day, call.dog)
        while seen is not None and self.booked[seen, branch] >= self.room:
            seen = self._open_day(seen + 1, call.dog)
        if seen is None:
            self.diary.itching[call.onset :, call.dog] = True
            return
        self.booked[seen, branch] += 1
        self.diary.calls.append((call.onset, day, call.dog))
        self.seen[seen].append(call)

    def _see_flare(self, day: int, call: Call) -> None:
        dog = call.dog
        self.diary.visits.append((day, dog, FLARE))
        treated = self._treat(day, dog, call.order or self._choose(day, dog))
        if treated:
            over = day + int(TABLE.number("diary.treated_days"))
        else:
            over = day + 1 + int(self.rng[dog].exponential(TABLE.number("diary.untreated_days")))
        self.free_from[dog] = over
        self.diary.itching[call.onset : over, dog] = True
        if self.rng[dog].random() < TABLE.number("diary.recheck_share"):
            least, most = listed("diary.recheck_days")
            recheck = self._open_day(day + int(self.rng[dog].integers(least, most + 1)), dog)
            if recheck is not None:
                self.rechecks[recheck].append(dog)

    def _choose(self, day: int, dog: int) -> Order:
        """Draw what is done for itch: habit first, within what the dog's age and dates allow."""
        u = self.rng[dog].random()
        if self.population.only_therapy[dog] >= 0:
            return Order(int(self.population.only_therapy[dog]))
        if u < TABLE.number("therapy_choice.nothing_systemic"):
            return Order()
        declined = u > 1 - TABLE.number("therapy_choice.declined")
        allowed = self._allowed(day, dog)
        last = self.last_therapy[dog]
        if (
            last >= 0
            and allowed[last]
            and self.rng[dog].random() < TABLE.number("therapy_choice.habit")
        ):
            return Order(int(last), declined)
        shares = self.chosen * allowed
        return Order(int(self.rng[dog].choice(len(shares), p=shares / shares.sum())), declined)

    def _allowed(self, day: int, dog: int) -> NDArray[np.bool_]:
        allowed = np.ones(len(THERAPIES), dtype=bool)
        old = day - self.population.born[dog] >= TABLE.number("therapy_choice.tablet_least_age")
        heavy = self.population.weight[dog] >= TABLE.number("therapy_choice.tablet_least_weight")
        allowed[TABLET] = old and heavy
        since = day - self.last_injection[dog]
        allowed[INJECTION] = since >= TABLE.number("therapy_choice.injection_gap")
        return allowed

    def _treat(self, day: int, dog: int, order: Order, *, by_calendar: bool = False) -> bool:
        """Record the therapy and the cover it gives; say whether the dog answers to it."""
        therapy = order.therapy
        if therapy is None:
            return False
        if order.declined:
            self.diary.therapies.append((day, dog, therapy, DECLINED, by_calendar))
            return False
        status = GIVEN if therapy == INJECTION else DISPENSED
        self.diary.therapies.append((day, dog, therapy, status, by_calendar))
        self.last_therapy[dog] = therapy
        responds = bool(self.population.responds[dog, therapy])
        if responds:
            self._protect(day, dog, therapy)
        if therapy == INJECTION:
            self.last_injection[dog] = day
            self._plan_next(day, dog, by_calendar=by_calendar)
        return responds

    def _protect(self, day: int, dog: int, therapy: int) -> None:
        name = THERAPIES[therapy]
        least, most = listed(f"therapy.{name}.cover")
        if therapy == INJECTION:
            spread = TABLE.number("therapy_choice.injection_days_spread")
            length = self.rng[dog].normal(self.population.injection_days[dog], spread)
            length = float(np.clip(length, least, most))
        else:
            length = self.rng[dog].uniform(least, most)
        first = day + int(TABLE.number(f"therapy.{name}.lag"))
        covered = self.diary.protection[first : first + round(length), dog]
        np.maximum(covered, TABLE.number(f"therapy.{name}.efficacy"), out=covered)

    def _plan_next(self, day: int, dog: int, *, by_calendar: bool) -> None:
        """Book the next repeat of a calendar dog, or let the series end."""
        if not self.population.repeats_by_calendar[dog]:
            return
        goes_on = self.rng[dog].random() > 1 / TABLE.number("therapy_choice.calendar_repeats")
        if by_calendar and not goes_on:
            return
        dose = self._open_day(day + int(self.population.calendar_gap[dog]), dog)
        if dose is not None:
            self.doses[dose].append(dog)

    def _scheduled_dose(self, day: int, dog: int) -> None:
        missed = self.rng[dog].random() < TABLE.number("therapy_choice.calendar_missed")
        too_soon = day - self.last_injection[dog] < TABLE.number("therapy_choice.injection_gap")
        if missed or too_soon:
            return
        self.diary.visits.append((day, dog, SCHEDULED))
        self._treat(day, dog, Order(INJECTION), by_calendar=True)
