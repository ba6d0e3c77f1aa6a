"""The invented practice as a whole: the tables one would export, and the truth behind them."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
import xarray as xr
from numpy.typing import NDArray

from jobs.demo import cases, consultations, register
from jobs.demo.diary import GIVEN, KINDS, OTHER, STATUSES, Diary, keep_diary
from jobs.demo.dogs import THERAPIES, Population, dog_ids, gather, hazard, true_dogs
from jobs.demo.places import TABLE, DemoError, Places, closures, lay_out, stream
from jobs.demo.worlds import Forces, World, checked_world, forces

_REASON_STREAM, _ORDER_STREAM = 50, 51


@dataclass(frozen=True)
class InventedPractice:
    """The tables of the practice on the as-of date, the truth to come, and the truth behind.

    `dogs`, `facts`, `visits`, `therapies` and `scores` hold nothing dated after `as_of`; what
    happens in the months after it is in the three tables `..._to_come`. A visit without a dog is
    some other patient's. `truth` (region, week) covers all weeks and `true_dogs` all dogs; both
    are for verification only, a forecast must not read them.
    """

    world: World
    seed: int
    as_of: date
    branches: pd.DataFrame
    closures: pd.DataFrame
    owners: pd.DataFrame
    dogs: pd.DataFrame
    facts: pd.DataFrame
    visits: pd.DataFrame
    therapies: pd.DataFrame
    scores: pd.DataFrame
    missing_weeks: pd.DataFrame
    dogs_to_come: pd.DataFrame
    visits_to_come: pd.DataFrame
    therapies_to_come: pd.DataFrame
    truth: xr.Dataset
    true_dogs: pd.DataFrame
    named_cases: dict[str, str]


def invent_practice(
    weather: xr.Dataset, flowering: pd.DataFrame, *, world: World, seed: int, as_of: date
) -> InventedPractice:
    """Invent a practice on real weather and flowering dates.

    The same weather, flowering dates, world, seed and as-of date give the same practice. Another
    as-of date tells the same past of all but the named cases (a full diary may move a visit), but
    numbers visits and draws their lengths, scores and facts anew: to go on in time, use the tables
    to come.
    """
    world = checked_world(world)
    places = lay_out(weather, flowering)
    now = _checked_as_of(as_of, places)
    population = gather(places, world=world, seed=seed, extra=len(cases.STORIES))
    script = cases.write_cases(population, places=places, world=world, as_of_day=now)
    met = forces(weather, flowering, places=places, world=world, seed=seed)
    dangers = hazard(population, met, places=places)
    diary = keep_diary(
        population, dangers["hazard"].values, places=places, seed=seed, script=script
    )
    return _exported(
        population, diary, dangers, met, places=places, world=world, seed=seed, as_of=as_of
    )


def write_csv(practice: InventedPractice, folder: Path) -> list[Path]:
    """Write the tables that the import commands read, and return their paths."""
    folder.mkdir(parents=True, exist_ok=True)
    written = []
    for name in ("branches", "dogs", "facts", "visits", "therapies", "scores"):
        path = folder / f"{name}.csv"
        frame: pd.DataFrame = getattr(practice, name)
        if name == "dogs":
            frame = frame.assign(vet=_vets(practice))
        if name == "visits":
            frame = frame.assign(minutes=frame["minutes"].astype("Int64"))
        frame.to_csv(path, index=False, date_format="%Y-%m-%d")
        written.append(path)
    return written


def _vets(practice: InventedPractice) -> list[str]:
    """Return who looks after each dog: those who work at its branch on the day, in turn."""
    from jobs.demo.raw_export.vets import employ  # that room is made of this one

    n_days = (pd.Timestamp(practice.as_of) - practice.visits["date"].min()).days + 1
    vets = employ(len(practice.branches), n_days, seed=practice.seed)
    now = [[chair[-1][1] for chair in chairs] for chairs in vets.chairs]
    place = {branch: number for number, branch in enumerate(practice.branches["id"])}
    held = [now[place[b]] if b in place else [] for b in practice.dogs["branch"]]
    return [
        str(vets.code[one[number % len(one)]]) if one else "" for number, one in enumerate(held)
    ]


def _checked_as_of(as_of: date, places: Places) -> int:
    now, first = places.index(as_of), int(TABLE.number("practice.first_as_of_days"))
    if not first <= now < places.n_days:
        raise DemoError(
            f"the as-of date {as_of} is outside what can be invented; choose one from "
            f"{places.days[first].date()} to {places.days[-1].date()}"
        )
    return now


def _exported(
    population: Population,
    diary: Diary,
    dangers: xr.Dataset,
    met: Forces,
    *,
    places: Places,
    world: World,
    seed: int,
    as_of: date,
) -> InventedPractice:
    now = places.index(as_of)
    dogs, owners = register.register(population, places=places, as_of_day=now, seed=seed)
    dogs = cases.rewrite_register(dogs, population, places=places)
    lost = consultations.lost_weeks(places, as_of_day=now, seed=seed)
    visits = _visit_table(population, diary, lost, places=places, seed=seed)
    therapies = _therapy_table(diary, population, places=places, seed=seed)
    earlier = cases.earlier_doses(population, places=places, as_of_day=now)
    therapies = pd.concat([earlier, therapies]).sort_values(["date", "dog"], ignore_index=True)
    facts = register.facts(population, diary, dogs, places=places, seed=seed)
    facts = pd.concat([facts, register.last_examinations(_until(visits, as_of))])
    facts = cases.rewrite_facts(facts, population, places=places, as_of_day=now)
    scored = register.scores(population, diary, dangers["hazard"].values, places=places, seed=seed)
    told = cases.told_scores(population, places=places, as_of_day=now)
    scored = pd.concat([scored, told]).drop_duplicates(["dog", "date", "scorer"], keep="last")
    known = population.joined <= now
    return InventedPractice(
        world=world,
        seed=seed,
        as_of=as_of,
        branches=places.branches,
        closures=closures(places),
        owners=owners[owners["owner"].isin(dogs.loc[known, "owner"])].reset_index(drop=True),
        dogs=dogs[known].reset_index(drop=True),
        facts=_until(facts, as_of).sort_values(["dog", "date", "kind"], ignore_index=True),
        visits=_until(visits, as_of),
        therapies=_until(therapies, as_of),
        scores=_until(scored, as_of).sort_values(["dog", "date"], ignore_index=True),
        missing_weeks=_missing(lost, places),
        dogs_to_come=_joining(dogs, population, places=places, as_of=as_of),
        visits_to_come=_after(visits, as_of),
        therapies_to_come=_after(therapies, as_of),
        truth=_truth(population, diary, dangers, met, places=places),
        true_dogs=true_dogs(population, world),
        named_cases=cases.named_cases(population),
    )


def _until(frame: pd.DataFrame, as_of: date) -> pd.DataFrame:
    return frame[frame["date"] <= pd.Timestamp(as_of)].reset_index(drop=True)


def _after(frame: pd.DataFrame, as_of: date) -> pd.DataFrame:
    end = _end_to_come(as_of)
    later = frame[(frame["date"] > pd.Timestamp(as_of)) & (frame["date"] < end)]
    return later.reset_index(drop=True)


def _end_to_come(as_of: date) -> pd.Timestamp:
    months = int(TABLE.number("practice.months_to_come"))
    return pd.Timestamp(as_of) + pd.DateOffset(months=months)


def _joining(
    dogs: pd.DataFrame, population: Population, *, places: Places, as_of: date
) -> pd.DataFrame:
    """Return the dogs that join in the months to come."""
    joined = places.days[0] + pd.to_timedelta(population.joined, unit="D")
    later = (joined > pd.Timestamp(as_of)) & (joined < _end_to_come(as_of))
    return dogs[later].assign(status=register.ACTIVE).reset_index(drop=True)


def _visit_table(
    population: Population,
    diary: Diary,
    lost: NDArray[np.bool_],
    *,
    places: Places,
    seed: int,
) -> pd.DataFrame:
    """Return all visits in the order of the export, without the weeks that were lost."""
    present = population.present(places.n_days)
    seen = np.array(diary.visits, dtype=np.int64).reshape(-1, 3)
    day_own, dog_own = consultations.other_visits_of_dogs(
        places, present, population.branch, seed=seed
    )
    counts = consultations.other_consultations(places, seed=seed)
    flat = np.repeat(np.arange(counts.size), counts.ravel())
    day_rest, branch_rest = np.divmod(flat, counts.shape[1])
    dog = np.concatenate([seen[:, 1], dog_own, np.full(len(flat), -1)])
    day = np.concatenate([seen[:, 0], day_own, day_rest])
    kind = np.concatenate([seen[:, 2], np.full(len(day_own) + len(flat), OTHER)])
    branch = np.concatenate([population.branch[dog[: len(dog) - len(flat)]], branch_rest])
    kept = ~lost[day // 7, branch]
    day, branch, dog, kind = day[kept], branch[kept], dog[kept], kind[kept]
    # Within a day and branch the order is by chance: an export does not list itch first.
    order = np.lexsort((stream(seed, _ORDER_STREAM).random(len(day)), branch, day))
    ids = np.array([*dog_ids(len(population)), None], dtype=object)
    kinds = np.array(KINDS, dtype=object)[kind[order]]
    return pd.DataFrame(
        {
            "visit": [f"V{number:07d}" for number in range(1, len(order) + 1)],
            "date": places.days[day[order]],
            "branch": places.branches["id"].to_numpy()[branch[order]],
            "dog": ids[dog[order]],
            "kind": kinds,
            "minutes": consultations.lengths(kinds, seed=seed),
        }
    )


def _therapy_table(
    diary: Diary, population: Population, *, places: Places, seed: int
) -> pd.DataFrame:
    day, dog, therapy, status, calendar = np.array(diary.therapies, dtype=np.int64).T
    rng = stream(seed, _REASON_STREAM)
    unsaid = rng.random(len(day)) < TABLE.number("therapy_choice.reason_not_known")
    judged = rng.random(len(day)) < TABLE.number("therapy_choice.response_judged")
    responds = np.where(population.responds[dog, therapy], "yes", "no").astype(object)
    reason = np.where(unsaid, register.NOT_KNOWN, np.where(calendar == 1, "calendar", "itch"))
    frame = pd.DataFrame(
        {
            "dog": dog_ids(len(population))[dog],
            "therapy": np.array(THERAPIES, dtype=object)[therapy],
            "date": places.days[day],
            "status": np.array(STATUSES, dtype=object)[status],
            "reason": reason,
            "responded": np.where(judged & (status == GIVEN), responds, ""),
        }
    )
    return frame.sort_values(["date", "dog"], ignore_index=True)


def _missing(lost: NDArray[np.bool_], places: Places) -> pd.DataFrame:
    week, branch = np.nonzero(lost)
    ids = places.branches["id"].to_numpy()
    return pd.DataFrame({"branch": ids[branch], "week": places.days[week * 7]})


def _truth(
    population: Population, diary: Diary, dangers: xr.Dataset, met: Forces, *, places: Places
) -> xr.Dataset:
    """Return by region and week [flares per week] what the hazards were made of.

    `without_cover` = `background` + the sum of `added` over the drivers: what would begin if no
    dog were covered and none already flaring. `with_cover` takes the cover in force away;
    `flares` counts those that began, fewer still because a flaring dog cannot flare anew.
    """
    regions, weeks = len(places.regions), places.n_days // 7
    member = (population.branch[:, None] == np.arange(regions)).astype(np.float64)

    def weekly(by_day: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.asarray(by_day.reshape(weeks, 7, regions).sum(axis=1).T)

    background = dangers["background"].values
    danger = dangers["hazard"].values
    added = [
        weekly((background * population.sensitivity[:, k]) @ member * met.drivers[:, :, k])
        for k in range(len(met.names))
    ]
    begun = np.zeros((places.n_days, regions))
    flares = np.array(diary.flares, dtype=np.int64).reshape(-1, 2)
    np.add.at(begun, (flares[:, 0], population.branch[flares[:, 1]]), 1.0)
    covered = (diary.protection > 0) & population.present(places.n_days)
    dims = ("region", "week")
    per_week = {"units": "week-1"}
    driver = met.drivers.reshape(weeks, 7, regions, -1).mean(axis=1).transpose(1, 0, 2)
    return xr.Dataset(
        {
            "background": (dims, weekly(background @ member), per_week),
            "added": (
                ("region", "week", "driver"),
                np.stack(added, axis=-1) if added else np.zeros((regions, weeks, 0)),
                per_week,
            ),
            "without_cover": (dims, weekly(danger @ member), per_week),
            "with_cover": (dims, weekly((danger * (1 - diary.protection)) @ member), per_week),
            "flares": (dims, weekly(begun), {"units": "1"}),
            "dogs": (dims, weekly(population.present(places.n_days) @ member) / 7, {"units": "1"}),
            "covered_dogs": (dims, weekly(covered @ member) / 7, {"units": "1"}),
            "driver_value": (("region", "week", "driver"), driver, {"units": "1"}),
            "log_season": (("week",), met.log_season[::7], {"units": "1"}),
            "log_shared_shock": (("week",), met.shared_shock[::7], {"units": "1"}),
            "log_own_shock": (dims, met.own_shock[::7].T, {"units": "1"}),
        },
        coords={
            "region": places.regions,
            "week": places.days[::7].to_numpy(),
            "driver": np.array(met.names, dtype=str),
        },
    )
