"""What people read of the invented practice: the register of dogs, their facts and itch scores."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from jobs.demo.diary import FLARE, RECHECK, SCHEDULED, Diary
from jobs.demo.dogs import THERAPIES, Population, dog_ids
from jobs.demo.places import TABLE, Places, listed, stream

ACTIVE = "active"
NOT_KNOWN = "not known"

_NAME_STREAM, _FACT_STREAM, _SCORE_STREAM, _CONSENT_STREAM, _LANGUAGE_STREAM = 40, 41, 42, 43, 44
_WORK_UP = (
    "demodicosis",
    "neoplasia",
    "pregnant_or_lactating",
    "flea_control",
    "food_trial",
    "atopic_dermatitis",
    "therapy_history",
)


def register(
    population: Population, *, places: Places, as_of_day: int, seed: int
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return all dogs ever, with their status on the as-of date, and their owners."""
    rng = stream(seed, _NAME_STREAM)
    n = len(population)
    owners = _owners(population, rng)
    sexes, shares = listed("register.sexes"), listed("register.sex_shares")
    breeds = rng.choice(np.array(listed("names.breeds"), dtype=object), size=n)
    breeds[rng.random(n) >= TABLE.number("register.breed_known")] = None
    born = places.days[0] + pd.to_timedelta(population.born, unit="D")
    unknown = rng.random(n) >= TABLE.number("register.birth_date_known")
    status = np.array(listed("growth.loss_reasons"), dtype=object)[population.gone_how]
    status[population.gone > as_of_day] = ACTIVE
    dogs = pd.DataFrame(
        {
            "dog": dog_ids(n),
            "name": rng.choice(np.array(listed("names.dogs"), dtype=object), size=n),
            "owner": owners["owner"].to_numpy(),
            "owner_contact": owners["owner_contact"].to_numpy(),
            "owner_language": _of_owners(owners["owner"], "language", seed, _LANGUAGE_STREAM),
            "consent": _of_owners(owners["owner"], "consent", seed, _CONSENT_STREAM),
            "species": "dog",
            "breed": breeds,
            "birth_date": born.where(~unknown),
            "sex": rng.choice(np.array(sexes, dtype=object), size=n, p=shares),
            "status": status,
            "region": places.branches["region"].to_numpy()[population.branch],
            "branch": places.branches["id"].to_numpy()[population.branch],
        }
    )
    return dogs, owners.drop_duplicates("owner", ignore_index=True)


def _owners(population: Population, rng: np.random.Generator) -> pd.DataFrame:
    """Return one owner a dog; the same owner twice where a household has two dogs."""
    n = len(population)
    first, last = listed("names.owners_first"), listed("names.owners_last")
    pick = rng.permutation(len(first) * len(last))[np.arange(n) % (len(first) * len(last))]
    again = rng.random(n) < TABLE.number("register.second_dog_share")
    for branch in np.unique(population.branch):
        mine = np.flatnonzero(population.branch == branch)
        second = mine[1:][again[mine[1:]] & ~again[mine[:-1]]]
        pick[second] = pick[mine[np.searchsorted(mine, second) - 1]]
    names = np.array([f"{first[i % len(first)]} {last[i // len(first)]}" for i in pick], object)
    contact = np.array([f"owner{i:03d}@forepaw.invalid" for i in pick], dtype=object)
    reachable = rng.random(len(first) * len(last)) < TABLE.number("register.contact_known")
    contact[~reachable[pick]] = None
    return pd.DataFrame({"owner": names, "owner_contact": contact})


def _of_owners(owners: pd.Series, what: str, seed: int, of_stream: int) -> np.ndarray:
    """Return what the owner of each dog said of something; None where nobody asked."""
    names, at = np.unique(owners.to_numpy(str), return_inverse=True)
    said, shares = listed(f"register.{what}s"), listed(f"register.{what}_shares")
    rng = stream(seed, of_stream)
    answers = rng.choice(np.array([*said, None], dtype=object), size=len(names), p=shares)
    return answers[at]


def facts(
    population: Population, diary: Diary, dogs: pd.DataFrame, *, places: Places, seed: int
) -> pd.DataFrame:
    """Return weights, work-up and infections of all days; what was never recorded is not there."""
    rng = stream(seed, _FACT_STREAM)
    events = np.array(diary.visits, dtype=np.int64).reshape(-1, 3)
    rows = [
        *_weights(population, events, rng),
        *_work_up(population, dogs["sex"].to_numpy(dtype=object), rng),
        *_infections(events, rng),
    ]
    return fact_frame(rows, places=places)


def fact_frame(rows: list[tuple[int, str, str, int]], *, places: Places) -> pd.DataFrame:
    """Return facts from rows of dog number, kind, value and day."""
    dog, kind, value, day = zip(*rows, strict=True)
    numbers = np.array(dog, dtype=np.int64)
    return pd.DataFrame(
        {
            "dog": dog_ids(int(numbers.max()) + 1)[numbers],
            "kind": kind,
            "value": value,
            "date": places.days[0] + pd.to_timedelta(np.array(day), unit="D"),
        }
    )


def last_examinations(visits: pd.DataFrame) -> pd.DataFrame:
    """Return the date of each dog's last examination for itch among the visits given."""
    seen = visits[visits["kind"].isin(["itch flare", "recheck"])]
    last = seen.groupby("dog")["date"].max()
    return pd.DataFrame(
        {
            "dog": last.index.to_numpy(),
            "kind": "examination",
            "value": "yes",
            "date": last.to_numpy(),
        }
    )


def _weights(
    population: Population, events: NDArray[np.int64], rng: np.random.Generator
) -> list[tuple[int, str, str, int]]:
    n = len(population)
    first = np.flatnonzero(rng.random(n) < TABLE.number("register.weighed_on_joining"))
    later = events[rng.random(len(events)) < TABLE.number("register.weighed_at_visit")]
    dog = np.concatenate([first, later[:, 1]])
    day = np.concatenate([population.joined[first], later[:, 0]])
    change = np.exp(rng.normal(0.0, TABLE.number("register.weight_change"), size=len(dog)))
    kilograms = population.weight[dog] * change
    return [
        (int(d), "weight_kg", f"{kg:.1f}", int(t))
        for d, kg, t in zip(dog, kilograms, day, strict=True)
    ]


def _work_up(
    population: Population, sex: NDArray[np.object_], rng: np.random.Generator
) -> list[tuple[int, str, str, int]]:
    n, rows = len(population), []
    for kind in _WORK_UP:
        known = rng.random(n) < TABLE.number(f"register.known.{kind}")
        found = rng.random(n) < TABLE.number(f"register.found.{kind}")
        if kind == "pregnant_or_lactating":
            found &= sex == "female"
            known &= sex != NOT_KNOWN
        unsaid = rng.random(n) < TABLE.number("register.recorded_as_not_known")
        value = np.where(unsaid, NOT_KNOWN, np.where(found, "yes", "no"))
        span = int(TABLE.number("register.workup_days"))
        day = population.joined + rng.integers(0, span, size=n)
        kept = np.flatnonzero(known & (day < population.gone))
        rows += [(int(d), kind, str(value[d]), int(day[d])) for d in kept]
    return rows


def _infections(
    events: NDArray[np.int64], rng: np.random.Generator
) -> list[tuple[int, str, str, int]]:
    """Return infection looked for at flare visits, and its end at the recheck that follows."""
    rows: list[tuple[int, str, str, int]] = []
    open_since: dict[int, bool] = {}
    looked = rng.random(len(events)) < TABLE.number("register.infection_looked_for")
    found = rng.random(len(events)) < TABLE.number("register.infection_found")
    cleared = rng.random(len(events)) < TABLE.number("register.infection_cleared")
    for row, (day, dog, kind) in enumerate(events.tolist()):
        if kind == FLARE and looked[row]:
            open_since[dog] = bool(found[row])
            rows.append((dog, "skin_infection", "yes" if found[row] else "no", day))
        elif kind == RECHECK and open_since.get(dog):
            open_since[dog] = not cleared[row]
            rows.append((dog, "skin_infection", "no" if cleared[row] else "yes", day))
    return rows


def scores(
    population: Population,
    diary: Diary,
    hazard: NDArray[np.float64],
    *,
    places: Places,
    seed: int,
) -> pd.DataFrame:
    """Return itch scores (PVAS, 0 to 10) at visits and, for some dogs, at home after injections."""
    rng = stream(seed, _SCORE_STREAM)
    day, dog = _scored(population, diary, rng, n_days=places.n_days)
    mean, spread = _itch(day, dog, diary=diary, hazard=hazard)
    pvas = np.clip(rng.normal(mean, spread), 0.0, 10.0).round(1)
    words, shares = np.array(listed("scores.scorers"), dtype=object), listed("scores.scorer_shares")
    return pd.DataFrame(
        {
            "dog": dog_ids(len(population))[dog],
            "date": places.days[day],
            "pvas": pvas,
            "scorer": rng.choice(words, size=len(day), p=shares),
        }
    )


def _scored(
    population: Population, diary: Diary, rng: np.random.Generator, *, n_days: int
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    seen = np.array([v[:2] for v in diary.visits if v[2] in (FLARE, RECHECK, SCHEDULED)])
    seen = seen[rng.random(len(seen)) < TABLE.number("scores.at_visit")]
    injection, given = THERAPIES.index("anti_il31_antibody"), 0
    doses = np.array([t[:2] for t in diary.therapies if t[2] == injection and t[3] == given])
    diligent = rng.random(len(population)) < TABLE.number("scores.diligent_dogs")
    doses = doses[diligent[doses[:, 1]]]
    after = np.array(listed("scores.home_days"))
    home = np.stack([(doses[:, :1] + after).ravel(), np.repeat(doses[:, 1], len(after))], axis=1)
    home = home[rng.random(len(home)) < TABLE.number("scores.home_answered")]
    both = np.unique(np.concatenate([seen, home]), axis=0)
    day, dog = both[:, 0], both[:, 1]
    here = (day < n_days) & (day < population.gone[dog])
    return day[here], dog[here]


def _itch(
    day: NDArray[np.int64],
    dog: NDArray[np.int64],
    *,
    diary: Diary,
    hazard: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return mean and spread of a score by the dog's state that day."""
    usual = np.maximum(hazard.mean(axis=0), 1e-12)[dog]
    season = np.clip(hazard[day, dog] / usual - 1.0, 0.0, 1.5)
    states = [diary.itching[day, dog], diary.protection[day, dog] > 0]
    flaring, covered, uncovered = (
        listed(f"scores.{state}") for state in ("flaring", "covered", "uncovered")
    )
    usual_mean = uncovered[0] + TABLE.number("scores.in_season") * season
    mean = np.select(states, [flaring[0], covered[0]], usual_mean)
    spread = np.select(states, [flaring[1], covered[1]], uncovered[1])
    return mean.astype(np.float64), spread.astype(np.float64)
