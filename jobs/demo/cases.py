"""Eight animals with a story each, so that a report has something of every sort to show.

They live among the others: their visits and doses come out of the same diary. Only what their
story says is fixed, counted back from the as-of date; in the weeks before it they are otherwise
quiet, so that nothing else happens to blur the story.
"""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from jobs.demo.diary import INJECTION, SHORT_COURSE, TABLET, Call, Order, Script
from jobs.demo.dogs import Population, dog_ids, stay_for_good, write_dog
from jobs.demo.places import TABLE, Places, listed
from jobs.demo.register import ACTIVE, fact_frame
from jobs.demo.worlds import World, driver_names


@dataclass(frozen=True)
class Story:
    """One named case: what it shows, and the flares it had (days before the as-of date)."""

    shows: str
    flares: tuple[tuple[int, Order], ...] = ()
    joined_key: str = "joined_days"
    age_key: str = "age_days"
    weight_key: str = "weight"
    species: str = "dog"
    facts_known: bool = True
    infected: bool = False


_COURSE, _NOTHING = Order(SHORT_COURSE), Order()

STORIES: dict[str, Story] = {
    "pre_season": Story(
        "flares in most springs and summers, complete work-up, not covered now",
        age_key="preseason_age_days",
    ),
    "itching_now": Story("itches now, the tablet was declined", ((5, Order(TABLET, True)),)),
    "pup": Story(
        "ten months old", ((40, _COURSE),), joined_key="pup_joined_days", age_key="pup_age_days"
    ),
    "small_dog": Story("weighs 2.5 kg", ((60, _COURSE),), weight_key="small_weight"),
    "untreated_infection": Story(
        "skin infection not yet treated", ((12, _NOTHING),), infected=True
    ),
    "facts_not_known": Story(
        "no work-up, weight or birth date known", ((50, _COURSE),), facts_known=False
    ),
    "recent_dose": Story(
        "had the long-acting injection three weeks ago", ((21, Order(INJECTION)),)
    ),
    "cat": Story("is a cat", species="cat"),
}


def write_cases(population: Population, *, places: Places, world: World, as_of_day: int) -> Script:
    """Write the stories into the last places of the population and return what must happen."""
    calls = []
    for dog, (name, story) in numbered(population):
        age, joined = _days(story.age_key), _days(story.joined_key)
        since = 0 if name == "pre_season" else max(as_of_day - joined, 0)
        write_dog(
            population,
            dog,
            joined=max(since, int(places.opens_on[population.branch[dog]])),
            born=as_of_day - age,
            weight=TABLE.number(f"named_case.{story.weight_key}"),
            baseline=0.0 if story.species == "cat" else 1.0,
            repeats_by_calendar=False,
        )
        stay_for_good(population, dog)
        for before, order in story.flares:
            calls.append((as_of_day - before, Call(dog, as_of_day - before - 3, order)))
    _write_preseason(population, world)
    quiet = tuple(dog for dog, _ in numbered(population))
    start = as_of_day - _days("quiet_days")
    return Script(quiet, start, as_of_day + 1, tuple(calls))


def numbered(population: Population) -> list[tuple[int, tuple[str, Story]]]:
    """Return the stories with their dogs' numbers."""
    first = len(population) - len(STORIES)
    return list(enumerate(STORIES.items(), start=first))


def named_cases(population: Population) -> dict[str, str]:
    """Return the dog identifier of each case."""
    ids = dog_ids(len(population))
    return {name: str(ids[dog]) for dog, (name, _) in numbered(population)}


def rewrite_register(dogs: pd.DataFrame, population: Population, *, places: Places) -> pd.DataFrame:
    """Return the register with what the stories tell of the named cases; their owners said yes."""
    dogs = dogs.copy()
    for dog, (_, story) in numbered(population):
        born = places.days[0] + pd.Timedelta(days=int(population.born[dog]))
        dogs.loc[dog, "species"] = story.species
        dogs.loc[dog, "birth_date"] = born if story.facts_known else pd.NaT
        dogs.loc[dog, "sex"] = "female neutered" if story.facts_known else "not known"
        dogs.loc[dog, "status"] = ACTIVE
        dogs.loc[dogs["owner"] == dogs.loc[dog, "owner"], "consent"] = "yes"
        if story.species == "cat" or not story.facts_known:
            dogs.loc[dog, "breed"] = None
    return dogs


def rewrite_facts(
    facts: pd.DataFrame, population: Population, *, places: Places, as_of_day: int
) -> pd.DataFrame:
    """Return the facts with the named cases' own in place of any drawn for them."""
    drawn = facts[~facts["dog"].isin(named_cases(population).values())]
    rows = []
    for dog, (_, story) in numbered(population):
        if story.facts_known:
            rows += _work_up(dog, story, population, as_of_day)
    return pd.concat([drawn, fact_frame(rows, places=places)], ignore_index=True)


def _work_up(
    dog: int, story: Story, population: Population, as_of_day: int
) -> list[tuple[int, str, str, int]]:
    """Return the answers of a complete work-up: the diagnosis, what was ruled out, the history."""
    joined = int(population.joined[dog])
    examined = max(as_of_day - _days("workup_days"), joined)
    trial = max(as_of_day - _days("food_trial_days"), joined)
    rows = [(dog, "weight_kg", f"{population.weight[dog]:.1f}", examined)]
    rows += [(dog, kind, "yes", examined) for kind in listed("named_case.answered_yes")]
    rows += [(dog, kind, "no", examined) for kind in listed("named_case.answered_no")]
    rows += [(dog, kind, "yes", trial) for kind in ("food_trial", "food_allergy_ruled_out")]
    if story.infected:
        rows.append((dog, "skin_infection", "yes", as_of_day - story.flares[0][0]))
    return rows


def earlier_doses(population: Population, *, places: Places, as_of_day: int) -> pd.DataFrame:
    """Return doses of long ago that the stories speak of, with how the dog responded."""
    named = named_cases(population)
    days = [as_of_day - _days("earlier_dose_days")] * 2
    return pd.DataFrame(
        {
            "dog": [named["pre_season"], named["recent_dose"]],
            "therapy": "anti_il31_antibody",
            "date": places.days[days],
            "status": "given",
            "reason": "itch",
            "responded": "yes",
        }
    )


def told_scores(population: Population, *, places: Places, as_of_day: int) -> pd.DataFrame:
    """Return the itch scores that the stories speak of: yesterday's, or at the examination."""
    named = named_cases(population)
    itching = TABLE.number("named_case.itching_score")
    calm = TABLE.number("named_case.calm_score")
    examined = as_of_day - _days("workup_days")
    rows = [
        (named[name], as_of_day - 1, itching)
        if name == "itching_now"
        else (named[name], examined, calm)
        for name, story in STORIES.items()
        if story.facts_known and not story.infected
    ]
    dogs, days, scores = zip(*rows, strict=True)
    return pd.DataFrame(
        {
            "dog": dogs,
            "date": places.days[list(days)],
            "pvas": scores,
            "scorer": "owner",
        }
    )


def _write_preseason(population: Population, world: World) -> None:
    dog = len(population) - len(STORIES)
    drivers = listed("named_case.preseason_drivers")
    for number, name in enumerate(driver_names(world)):
        strength = TABLE.number("named_case.preseason_sensitivity") if name in drivers else 0.0
        population.sensitivity[dog, number] = strength
    write_dog(
        population,
        dog,
        baseline=TABLE.number("named_case.preseason_baseline"),
        season_strength=TABLE.number("named_case.preseason_season_strength"),
        only_therapy=SHORT_COURSE,
    )


def _days(key: str) -> int:
    return int(TABLE.number(f"named_case.{key}"))
