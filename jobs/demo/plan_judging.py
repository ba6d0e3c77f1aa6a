"""Plans of doses judged on the season that came, not on the draws they were chosen from.

An invented practice is trained on and its forecast drawn, all in memory. For every dog that answers
to the injection, each way of dosing is fixed on the day of the forecast; then the dog's true hazard
of the 52 weeks that followed, and how long and how well a dose truly holds in it, say what each
leaves uncovered. Expectations over the dog's flares in that season are exact. The *oracle* knows
hazard and cover, and chooses the dates of least cost: since a day costs its hazard whatever was
seen before, no rule that keeps interval and open days costs less.

As at the desk, a dog's own risk is used where `risk_skill` says so of its region, else the region's
rate. Left out is everything a vet would ask first (each dog is taken to be ready), and what scores
tell of a dog's own length of effect (the label's cover is planned by).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import stats

from forecast.dosing.dog_record import DogRecord
from forecast.dosing.dog_season import DogSeason, days_ahead, dog_season
from forecast.dosing.plan import why_not_dated
from forecast.dosing.register import (
    RegionPressure,
    Register,
    region_pressure,
    risk_of,
    spans_without,
)
from forecast.dosing.risk_skill import risk_skill
from forecast.dosing.schedule import DosingProblem
from forecast.dosing.strategies import (
    CALENDAR,
    Weighed,
    calendar_dose,
    weigh,
)
from forecast.dosing.therapies import cover_rules, days_rule, therapy
from forecast.issuing import draw_forecast
from forecast.practice import Practice
from forecast.settings import parse_settings
from forecast.visits.counting.cover import days_not_uncovered
from jobs.demo import cases
from jobs.demo.dogs import THERAPIES, Population, dog_ids, gather, hazard
from jobs.demo.in_memory import train_on
from jobs.demo.invention import InventedPractice, invent_practice
from jobs.demo.places import TABLE, Places, lay_out, listed
from jobs.demo.raw_export.patients import postcode_areas
from jobs.demo.run import morning_of, sample, settings_text
from jobs.demo.worlds import World, forces
from models.schedule_kernels import DOSES, RISK, at_itch, best_days

Floats = NDArray[np.float64]
THERAPY = "anti_il31_antibody"
N_DAYS = 364
PLAN, PLAN_ALONE, ORACLE = "this plan", "its dates alone", "oracle: knew the season"
_NAME_OF_PLAN = "planned dates"
_ORACLE_DOSES = 13  # more than the interval lets into the weeks judged
_PRESENT = "active"
_Risks = Mapping[str, tuple[RegionPressure, bool]]  # by region, and whether dogs' own is used


@dataclass(frozen=True)
class _Truth:
    """What is true of one dog in the days judged: hazard by day, and what a dose leaves of it."""

    hazard: Floats
    bare: Floats
    lag: int
    interval: int
    first_state: int


@dataclass(frozen=True)
class _Invented:
    made: InventedPractice
    places: Places
    population: Population
    hazard: Floats


def judge_plans(world: World, *, seed: int, as_of: date) -> pd.DataFrame:
    """Plan every dog of an invented practice and let the season that came judge.

    Returns
    -------
    pandas.DataFrame
        A row a dog and way of dosing: ``dog``, ``way``, ``uncovered`` (expected flare-weeks),
        ``doses``, ``total`` (with doses priced in), ``dated`` (whether this plan dated doses),
        ``own_risk`` (whether it rests on the dog's own flares, not on its region alone).
    """
    weather, flowering = sample()
    made = invent_practice(weather, flowering, world=world, seed=seed, as_of=as_of)
    text = settings_text(weather, flowering, postcode_areas(made))
    practice = Practice(Path(), parse_settings(text), morning_of(as_of), text)
    model, known = train_on(made, weather, flowering)
    issued = draw_forecast(practice, model, known)
    places = lay_out(weather, flowering)
    population = gather(places, world=world, seed=seed, extra=len(cases.STORIES))
    cases.write_cases(population, places=places, world=world, as_of_day=places.index(as_of))
    met = forces(weather, flowering, places=places, world=world, seed=seed)
    truth = _Invented(
        made, places, population, hazard(population, met, places=places)["hazard"].values
    )
    register = _register(made)
    risks = {}
    for region in places.regions:
        pressure = region_pressure(issued, region, register)
        risks[region] = pressure, risk_skill(register, region, pressure).uses_own
    price = practice.settings.dosing.flare_weeks_per_dose
    return pd.DataFrame(list(_judged(truth, register, risks, price)))


def _register(made: InventedPractice) -> Register:
    """Return the dogs on record, from the tables that a practice would bring in."""
    region = made.branches.set_index("id")["region"]
    seen = made.visits[made.visits["dog"].notna()]
    told = made.therapies.copy()
    told["until"] = pd.NaT
    judged = told["responded"].map({"yes": True, "no": False}).astype(object)
    told["responded"] = judged.where(judged.notna(), None)
    taken = days_not_uncovered(told, cover_rules())
    flares = seen[seen["kind"] == "itch flare"].groupby("dog")["date"].apply(list).to_dict()
    first = seen.groupby("dog")["date"].min()
    dogs = dict[str, DogRecord]()
    observed = dict[str, tuple[date, date]]()
    uncovered = dict[str, tuple[tuple[date, date], ...]]()
    active = made.dogs[(made.dogs["status"] == _PRESENT) & made.dogs["dog"].isin(first.index)]
    for dog, branch in zip(active["dog"].astype(str), active["branch"].astype(str), strict=True):
        days = tuple(sorted(day.date() for day in flares.get(dog, [])))
        dogs[dog] = DogRecord(
            *(dog, "dog", None, None, None, None, None, str(region[branch]), branch),
            therapies=(),
            flare_visits=days,
        )
        observed[dog] = (first[dog].date(), made.as_of)
        uncovered[dog] = spans_without(observed[dog], taken.get(dog, []))
    return Register(dogs, observed, uncovered, {})


def _judged(
    invented: _Invented,
    register: Register,
    risks: _Risks,
    price: float,
) -> Iterator[dict[str, object]]:
    number = {dog: place for place, dog in enumerate(dog_ids(len(invented.population)))}
    injection = THERAPIES.index(THERAPY)
    given = invented.made.therapies
    given = given[(given["therapy"] == THERAPY) & (given["status"] == "given")]
    last = given.groupby("dog")["date"].max()
    for dog in register.dogs.values():
        place = number[dog.id]
        named = invented.made.named_cases.values()
        if (
            not dog.flare_visits
            or dog.id in named
            or not invented.population.responds[place, injection]
        ):
            continue
        last_dose = last[dog.id].date() if dog.id in last.index else None
        season = _season(invented, dog, register, risks, price=price, last_dose=last_dose)
        found = weigh(season, dog.flare_visits)
        dated = why_not_dated(season, found) is None
        truth = _truth(invented, place, season)
        for way, outcome in _ways(season, found, dog, truth, is_dated=dated):
            uncovered, doses = outcome
            yield {
                "dog": dog.id,
                "way": way,
                "uncovered": uncovered,
                "doses": doses,
                "total": uncovered + price * doses,
                "dated": dated,
                "own_risk": risks[dog.region or ""][1],
            }


def _season(
    invented: _Invented,
    dog: DogRecord,
    register: Register,
    risks: _Risks,
    *,
    price: float,
    last_dose: date | None,
) -> DogSeason:
    """Return a dog's days ahead as the desk would have them, its last dose counted."""
    kind, today = therapy(THERAPY), invented.made.as_of
    assert dog.region is not None
    pressure, uses_own = risks[dog.region]
    risk = risk_of(dog, register, pressure, own=uses_own)
    start, daily, scenarios = days_ahead(risk, today)
    n_days = min(N_DAYS, len(daily), invented.places.n_days - invented.places.index(start))
    problem = DosingProblem(
        start=start,
        daily_risk=daily[:n_days],
        may_dose=np.zeros(n_days, dtype=bool),
        cover=kind.cover,
        minimum_interval=kind.minimum_interval,
        price=price,
        most_doses=days_rule("plan.most_doses"),
        last_dose=last_dose,
    )
    first, branch = invented.places.index(start), list(invented.places.branches["id"])
    is_open = invented.places.open[first : first + n_days, branch.index(dog.branch)]
    days = frozenset(start + timedelta(days=int(day)) for day in np.flatnonzero(is_open))
    return dog_season(dog, problem, scenarios=scenarios[:, :n_days], open_days=days, today=today)


def _truth(invented: _Invented, place: int, season: DogSeason) -> _Truth:
    problem = season.problem
    first = invented.places.index(problem.start)
    lag = int(TABLE.number(f"therapy.{THERAPY}.lag"))
    least, most = listed(f"therapy.{THERAPY}.cover")
    length = round(float(np.clip(invented.population.injection_days[place], least, most)))
    bare = np.ones(max(lag + length, problem.minimum_interval) + 1)
    bare[lag : lag + length] -= TABLE.number(f"therapy.{THERAPY}.efficacy")
    since = bare.size - 1
    if problem.last_dose is not None:
        since = min((problem.start - problem.last_dose).days, since)
    own = invented.hazard[first : first + problem.n_days, place]
    return _Truth(1 - np.exp(-own), bare, lag, problem.minimum_interval, since)


def _ways(
    season: DogSeason, found: Weighed, dog: DogRecord, truth: _Truth, *, is_dated: bool
) -> Iterator[tuple[str, tuple[float, float]]]:
    """Yield each way of dosing with the flares it leaves uncovered and its doses, in truth."""
    dates = found.best.dates if is_dated else ()
    held = _at_itch(season, truth, ())
    yield PLAN, _at_itch(season, truth, dates) if is_dated else held
    yield PLAN_ALONE, _fixed(season, truth, dates) if is_dated else held
    yield found.hold.name, held
    for other in found.others:
        if other.name != CALENDAR:
            yield other.name, _fixed(season, truth, other.dates)
    usual = calendar_dose(season, dog.flare_visits)
    yield CALENDAR, held if usual is None else _at_itch(season, truth, (usual,))
    yield ORACLE, _oracle(season, truth)


def _days(season: DogSeason, dates: tuple[date, ...]) -> list[int]:
    return [(day - season.problem.start).days for day in dates]


def _fixed(season: DogSeason, truth: _Truth, dates: tuple[date, ...]) -> tuple[float, float]:
    return _of_days(truth, _days(season, dates))


def _of_days(truth: _Truth, days: list[int]) -> tuple[float, float]:
    """Add up the hazard left, day by day: a dose counts from its day, the one before until then."""
    left, since, last = 0.0, truth.first_state, truth.bare.size - 1
    given = set(days)
    before = since
    for day, danger in enumerate(truth.hazard):
        if day in given:
            before, since = since, 0
        lives_on = min(before + since, last) if since < truth.lag else since
        left += float(danger * truth.bare[lives_on])
        since = min(since + 1, last)
    return left, float(len(days))


def _at_itch(season: DogSeason, truth: _Truth, planned: tuple[date, ...]) -> tuple[float, float]:
    n_days = season.problem.n_days
    on_plan = np.zeros((1, n_days), dtype=bool)
    on_plan[0, _days(season, planned)] = True
    days = np.where(season.open_days, np.arange(n_days), n_days)
    next_open = np.minimum.accumulate(days[::-1])[::-1]
    expected = at_itch(
        np.ascontiguousarray(truth.hazard[:, None]),
        truth.bare,
        np.ascontiguousarray(next_open),
        on_plan,
        days_rule("plan.booking_delay"),
        truth.interval,
        truth.lag,
        truth.first_state,
    )
    return float(expected[0, RISK, 0]), float(expected[0, DOSES, 0])


def _oracle(season: DogSeason, truth: _Truth) -> tuple[float, float]:
    days = best_days(
        truth.hazard,
        season.open_days,
        truth.bare,
        truth.interval,
        truth.lag,
        season.problem.price,
        _ORACLE_DOSES,
        truth.first_state,
        0.0,
    )
    return _of_days(truth, days.tolist())


def differences(judged: pd.DataFrame) -> pd.DataFrame:
    """Return how this plan differs from each other way, a row a way; below 0 this plan has less.

    `judged` are rows of `judge_plans` with a column ``seed``. Means over the dogs of a seed, then
    over seeds; ``low`` and ``high`` of the total are a 95 % interval of Student's t over seeds,
    not known of one seed.
    """
    measures = ["uncovered", "doses", "total"]
    means = judged.groupby(["seed", "way"])[measures].mean().unstack("way")
    rows = []
    for way in [one for one in judged["way"].unique() if one != PLAN]:
        row: dict[str, object] = {"way": way}
        for measure in measures:
            apart = means[measure][PLAN] - means[measure][way]
            half = _half_width(apart.to_numpy())
            row |= {
                measure: apart.mean(),
                f"{measure}_low": apart.mean() - half,
                f"{measure}_high": apart.mean() + half,
            }
        rows.append(row)
    return pd.DataFrame(rows).set_index("way")


def _half_width(values: Floats) -> float:
    if values.size < 2:
        return float("nan")
    quantile = float(stats.t.ppf(0.975, values.size - 1))
    return quantile * float(values.std(ddof=1)) / float(np.sqrt(values.size))


def verdict(row: pd.Series) -> str:
    """Say whether this plan costs less than another way, more, or whether that cannot be told."""
    if np.isnan(row["total_low"]):
        return "one seed: not told"
    if row["total_high"] < 0:
        return "costs less"
    return "LOSES: costs more" if row["total_low"] > 0 else "no difference told"
