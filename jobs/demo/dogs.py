"""The invented dogs: when each is with the practice, what it answers to, and its hazard of a flare.

Arrays here are indexed by the dog's number. The register that people read (names, owners, birth
dates) is in `jobs.demo.register`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import xarray as xr
from numpy.typing import NDArray

from jobs.demo.places import TABLE, Places, listed, stream
from jobs.demo.worlds import Forces, World, driver_names

THERAPIES = (
    "daily_jak_inhibitor",
    "anti_il31_antibody",
    "ciclosporin",
    "glucocorticoid_short_course",
)

_JOIN_STREAM, _TRAIT_STREAM, _BODY_STREAM, _SENSITIVITY_STREAM = 10, 11, 12, 13
_DAYS_A_YEAR = 365.25
_NEVER = 1_000_000


@dataclass
class Population:
    """Traits of all dogs; the named cases are written into the last places before the diary."""

    branch: NDArray[np.int64]
    joined: NDArray[np.int64]
    gone: NDArray[np.int64]
    gone_how: NDArray[np.int64]
    born: NDArray[np.int64]
    weight: NDArray[np.float64]
    baseline: NDArray[np.float64]
    season_strength: NDArray[np.float64]
    sensitivity: NDArray[np.float64]
    responds: NDArray[np.bool_]
    injection_days: NDArray[np.float64]
    repeats_by_calendar: NDArray[np.bool_]
    calendar_gap: NDArray[np.int64]
    only_therapy: NDArray[np.int64]

    def __len__(self) -> int:
        return len(self.branch)

    def present(self, n_days: int) -> NDArray[np.bool_]:
        """Return whether each dog is with the practice, [day, dog]."""
        day = np.arange(n_days)[:, None]
        return np.asarray((day >= self.joined) & (day < self.gone))


def gather(places: Places, *, world: World, seed: int, extra: int) -> Population:
    """Return all dogs of the practice and `extra` more that are still to be written by hand.

    The same seed gives the same dogs in every world; only their sensitivities differ.
    """
    branch, joined = _joins(places, stream(seed, _JOIN_STREAM))
    branch = np.concatenate([branch, np.arange(extra) % len(places.regions)])
    joined = np.concatenate([joined, np.zeros(extra, dtype=np.int64)])
    n = len(branch)
    rng = stream(seed, _TRAIT_STREAM)
    gone, how = _losses(joined, rng)
    born, weight = _bodies(joined, stream(seed, _BODY_STREAM))
    shape, strength = (
        TABLE.number("hazard.baseline_shape"),
        TABLE.number("hazard.season_strength_shape"),
    )
    return Population(
        branch=branch,
        joined=joined,
        gone=gone,
        gone_how=how,
        baseline=rng.gamma(shape, 1 / shape, size=n),
        season_strength=rng.gamma(strength, 1 / strength, size=n),
        sensitivity=_sensitivities(n, world, stream(seed, _SENSITIVITY_STREAM)),
        responds=_responders(n, rng),
        injection_days=rng.uniform(*_cover("anti_il31_antibody"), size=n),
        repeats_by_calendar=rng.random(n) < TABLE.number("therapy_choice.calendar_dogs"),
        calendar_gap=7 * rng.integers(*_ends("therapy_choice.calendar_weeks"), size=n),
        only_therapy=np.full(n, -1, dtype=np.int64),
        born=born,
        weight=weight,
    )


def hazard(population: Population, forces: Forces, *, places: Places) -> xr.Dataset:
    """Return each dog's hazard without cover and its parts, [day, dog] [flares per day].

    `background` is the part that is there with every driver at zero; what driver k adds is
    `background x sensitivity x driver`. Scaled once for the whole invention, so that the mean dog
    has the table's flares a year in every world.
    """
    season = np.exp(forces.log_season[:, None] * population.season_strength)
    met = np.ones_like(season)
    for region in range(len(places.regions)):
        mine = population.branch == region
        met[:, mine] += forces.drivers[:, region] @ population.sensitivity[mine].T
    scale = TABLE.number("hazard.flares_a_year") / _DAYS_A_YEAR / (season * met).mean()
    shock = np.exp(forces.shared_shock[:, None] + forces.own_shock)[:, population.branch]
    background = scale * population.baseline * season * shock
    present = population.present(places.n_days)
    return xr.Dataset(
        {
            "background": (("day", "dog"), background * present),
            "hazard": (("day", "dog"), background * met * present),
        }
    )


def dog_ids(n: int) -> NDArray[np.object_]:
    """Return the dogs' identifiers."""
    return np.array([f"D{number:04d}" for number in range(1, n + 1)], dtype=object)


def true_dogs(population: Population, world: World) -> pd.DataFrame:
    """Return what is true of each dog and nobody at the practice can see."""
    frame = pd.DataFrame(
        {
            "dog": dog_ids(len(population)),
            "baseline": population.baseline,
            "season_strength": population.season_strength,
            "injection_days": population.injection_days,
        }
    )
    for number, therapy in enumerate(THERAPIES):
        frame[f"responds_to_{therapy}"] = population.responds[:, number]
    for number, driver in enumerate(driver_names(world)):
        frame[f"sensitivity_{driver}"] = population.sensitivity[:, number]
    return frame


def _joins(places: Places, rng: np.random.Generator) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    branch, joined = [], []
    late = len(places.regions) - 1
    for number in range(len(places.regions)):
        late_one = number == late
        rate = TABLE.number(f"growth.{'late_branch_' if late_one else ''}joins_a_year")
        left = places.n_days - int(places.opens_on[number])
        new = np.sort(rng.integers(0, left, size=rng.poisson(rate * left / _DAYS_A_YEAR)))
        old = 0 if late_one else int(TABLE.number("growth.dogs_at_start"))
        days = np.concatenate([np.zeros(old, dtype=np.int64), new]) + places.opens_on[number]
        joined.append(days)
        branch.append(np.full(len(days), number))
    order = np.argsort(np.concatenate(joined), kind="stable")
    return np.concatenate(branch)[order], np.concatenate(joined)[order]


def _losses(
    joined: NDArray[np.int64], rng: np.random.Generator
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    stays = rng.exponential(_DAYS_A_YEAR / TABLE.number("growth.losses_a_year"), size=len(joined))
    shares = listed("growth.loss_shares")
    return joined + 1 + stays.astype(np.int64), rng.choice(len(shares), size=len(joined), p=shares)


def _sensitivities(n: int, world: World, rng: np.random.Generator) -> NDArray[np.float64]:
    names = driver_names(world)
    sensitivity = np.zeros((n, len(names)))
    for number, name in enumerate(names):
        value = TABLE.group(f"sensitivity.{name}")
        shape = value["shape"].number
        size = rng.gamma(shape, value["mean"].number / shape, size=n)
        sensitivity[:, number] = np.where(rng.random(n) < value["share"].number, size, 0.0)
    return sensitivity


def _responders(n: int, rng: np.random.Generator) -> NDArray[np.bool_]:
    deaf = np.array([TABLE.number(f"therapy.{name}.non_responders") for name in THERAPIES])
    return np.asarray(rng.random((n, len(THERAPIES))) >= deaf)


def _bodies(
    joined: NDArray[np.int64], rng: np.random.Generator
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    shape, least, most = listed("register.joining_age")
    mean = TABLE.number("register.joining_age_mean")
    age = np.clip(rng.gamma(shape, mean / shape, size=len(joined)), least, most)
    centre, spread = TABLE.number("register.weight_log_mean"), "register.weight_log_spread"
    weight = np.exp(rng.normal(centre, TABLE.number(spread), size=len(joined)))
    born = joined - (age * _DAYS_A_YEAR).astype(np.int64)
    return born, np.maximum(weight, TABLE.number("register.weight_least"))


def _ends(key: str) -> tuple[int, int]:
    first, last = listed(key)
    return int(first), int(last) + 1


def _cover(therapy: str) -> tuple[float, float]:
    least, most = listed(f"therapy.{therapy}.cover")
    return float(least), float(most)


def write_dog(population: Population, dog: int, **traits: float | int) -> None:
    """Overwrite traits of one dog (a named case)."""
    for name, value in traits.items():
        getattr(population, name)[dog] = value


def stay_for_good(population: Population, dog: int) -> None:
    """Keep a dog with the practice to the end of the invention."""
    population.gone[dog] = _NEVER
