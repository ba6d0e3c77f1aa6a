from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from jobs.demo.diary import (
    DECLINED,
    FLARE,
    INJECTION,
    RECHECK,
    SHORT_COURSE,
    TABLET,
    Call,
    Diary,
    Order,
    Script,
    keep_diary,
)
from jobs.demo.dogs import Population, gather
from jobs.demo.places import Places

EACH_DAY = 0.02


@pytest.fixture(scope="module")
def places(places: Places) -> Places:
    """Give the first 140 weeks only: enough happens in them."""
    return replace(places, days=places.days[:980], open=places.open[:980])


@pytest.fixture(scope="module")
def population(places: Places) -> Population:
    return gather(places, world="none", seed=5, extra=0)


@pytest.fixture(scope="module")
def busy(population: Population, places: Places) -> Diary:
    """Live through a practice where every dog that is there flares at the same steady rate."""
    hazard = EACH_DAY * population.present(places.n_days)
    return keep_diary(population, hazard, places=places, seed=5)


def test_a_dog_under_cover_flares_less(places: Places) -> None:
    """In the weeks after an injection dogs that respond flare far less than those that do not."""
    population = gather(places, world="none", seed=5, extra=0)
    population.only_therapy[:] = INJECTION
    population.repeats_by_calendar[:] = False
    population.responds[:, INJECTION] = np.arange(len(population)) % 2 == 0
    hazard = EACH_DAY * population.present(places.n_days)
    diary = keep_diary(population, hazard, places=places, seed=5)
    flares = np.zeros(hazard.shape, dtype=bool)
    flares[tuple(np.array(diary.flares).T)] = True
    present = population.present(places.n_days)
    after = np.zeros((2, 2))
    for day, dog, _, _, _ in diary.therapies:
        window = slice(day + 8, day + 27)
        free = present[window, dog] & ~diary.itching[window, dog]
        after[dog % 2] += [flares[window, dog].sum(), free.sum()]
    covered, uncovered = after[:, 0] / after[:, 1]
    assert covered < 0.4 * uncovered


def test_protection_is_only_of_dogs_that_respond(population: Population, places: Places) -> None:
    """A dog that answers to nothing is never protected, whatever it is given."""
    deaf = gather(places, world="none", seed=5, extra=0)
    deaf.responds[:] = False
    hazard = EACH_DAY * deaf.present(places.n_days)
    diary = keep_diary(deaf, hazard, places=places, seed=5)
    assert len(diary.therapies) > 1000
    assert diary.protection.max() == 0


def test_every_visit_is_on_an_open_day_of_a_dog_that_is_here(
    busy: Diary, population: Population, places: Places
) -> None:
    """Closures push visits, and dogs that died or left are not seen."""
    day, dog, _ = np.array(busy.visits).T
    assert places.open[day, population.branch[dog]].all()
    assert population.present(places.n_days)[day, dog].all()


def test_owners_call_on_or_after_the_first_itch(busy: Diary) -> None:
    """The delay is never negative, several days on average, and differs between owners."""
    onset, call, _ = np.array(busy.calls).T
    assert (call >= onset).all()
    assert 4 < (call - onset).mean() < 8
    assert (call - onset).max() > 15


def test_a_full_diary_pushes_to_a_later_open_day(busy: Diary, population: Population) -> None:
    """At this rate the room of two a day is used up and never exceeded."""
    rows = np.array([v for v in busy.visits if v[2] == FLARE])
    _, counts = np.unique(
        np.stack([rows[:, 0], population.branch[rows[:, 1]]]), axis=1, return_counts=True
    )
    assert counts.max() == 2


def test_rechecks_come_two_to_three_weeks_after_a_flare_visit(busy: Diary) -> None:
    """Each recheck has a flare visit of that dog 14 days before it, plus a closure at most."""
    flares: dict[int, list[int]] = {}
    for day, dog, kind in busy.visits:
        if kind == FLARE:
            flares.setdefault(dog, []).append(day)
        elif kind == RECHECK:
            assert any(14 <= day - before <= 21 + 4 for before in flares[dog])


def test_injections_keep_their_distance_and_tablets_their_age_and_weight(
    busy: Diary, population: Population
) -> None:
    """No two injections within 28 days; no tablet for a pup or a dog under 3 kg."""
    given: dict[int, int] = {}
    for day, dog, therapy, status, _ in busy.therapies:
        if therapy == TABLET:
            assert day - population.born[dog] >= 365
            assert population.weight[dog] >= 3.0
        if therapy == INJECTION and status != DECLINED:
            assert day - given.get(dog, -100) >= 28
            given[dog] = day
    assert len(given) > 50


def test_a_flaring_dog_does_not_flare_anew(busy: Diary, places: Places) -> None:
    """Between a dog's onset and the end of that flare there is no other onset."""
    visits = {}
    for onset, call, dog in busy.calls:
        visits.setdefault(dog, []).append((onset, call))
    for spells in visits.values():
        ordered = sorted(spells)
        assert all(later[0] > earlier[1] for earlier, later in pairwise(ordered))


def test_a_script_is_followed_and_else_quiet(population: Population, places: Places) -> None:
    """A named dog flares as told, is given what is told, and has nothing else in quiet days."""
    dog, day = 0, 700
    script = Script((dog,), 650, 760, ((day, Call(dog, day - 3, Order(SHORT_COURSE))),))
    quiet = gather(places, world="none", seed=5, extra=0)
    quiet.gone[dog] = places.n_days + 1
    hazard = EACH_DAY * quiet.present(places.n_days)
    diary = keep_diary(quiet, hazard, places=places, seed=5, script=script)
    seen = [d for d, who, kind in diary.visits if who == dog and kind == FLARE and 690 < d < 760]
    assert len(seen) == 1
    assert day <= seen[0] <= day + 4
    assert (seen[0], dog, SHORT_COURSE) in [t[:3] for t in diary.therapies]
    assert not [d for d, who in diary.flares if who == dog and 650 <= d < 760]


def test_no_hazard_no_flares(population: Population, places: Places) -> None:
    """Without hazard nothing happens at all."""
    hazard = np.zeros((places.n_days, len(population)))
    diary = keep_diary(population, hazard, places=places, seed=5)
    assert diary.flares == diary.visits == diary.therapies == []
