"""How fast all dogs of a large practice are planned over 52 weeks, from what is known of each.

    python tests/bench/bench_plans.py [--dogs 10000] [--processes 2]

Invented dogs that are all ready, so that every way of dosing is worked out for each: its risk from
eight years of flares, readiness, exact dates, the simple rules and the closed loops. Wanted: 10,000
dogs in under 20 s on two cores, one dog in under 50 ms. On a machine with other work the
processor's seconds are those to look at.
"""

from __future__ import annotations

import argparse
import time
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from datetime import date, timedelta

import numpy as np

from forecast.dosing.dog_record import DogRecord, Finding, ItchScore, TherapyEvent
from forecast.dosing.dog_risk import DogHistory, dog_risk
from forecast.dosing.plan import DosePlan, propose_plan
from forecast.dosing.price import Price
from forecast.dosing.therapies import therapy
from forecast.dosing.work_up import CALLS_FOR_DIET, FINDINGS, WORK_UP
from models.weeks import week_range

TODAY = date(2025, 1, 6)
RECENT = TODAY - timedelta(days=3)
PAST = week_range(date(2017, 1, 2), 8 * 52).values.astype("datetime64[D]")
AHEAD = week_range(TODAY, 52).values.astype("datetime64[D]")
OPEN = frozenset(
    day for day in (TODAY + timedelta(days=n) for n in range(364)) if day.weekday() < 6
)
KIND = therapy("anti_il31_antibody")
SEEN = ((PAST[0].item(), TODAY),)


def season(weeks: np.ndarray) -> np.ndarray:
    """Return a year's course of pressure, flares per dog and week."""
    place = (weeks - weeks.astype("datetime64[Y]").astype("datetime64[D]")).astype(int)
    return 0.03 + 0.06 * np.exp(-(((place - 160) / 40) ** 2))


def ready_dog(number: int, rng: np.random.Generator) -> DogRecord:
    """Return a dog that passes every check, with flares drawn at a rate of its own."""
    came = rng.random(PAST.size) < season(PAST) * rng.gamma(1.0)
    found = {code: Finding(kind.wanted, RECENT) for code, kind in (WORK_UP | FINDINGS).items()}
    return DogRecord(
        *(f"dog-{number}", "dog", date(2016, 3, 1), 14.2, RECENT, "male", True, "north", "n1"),
        findings=found | dict.fromkeys(CALLS_FOR_DIET, Finding(False, RECENT)),
        therapies=(TherapyEvent(KIND.id, date(2024, 5, 2), responded=True),),
        flare_visits=tuple(week.item() for week in PAST[came]),
        scores=(ItchScore(1.0, RECENT),),
        history_asked=RECENT,
    )


def plan(dog: DogRecord, ahead: np.ndarray) -> DosePlan:
    """Plan one dog under draws (draw, week) of the pressure ahead."""
    risk = dog_risk(
        DogHistory(dog.flare_visits, SEEN),
        season(PAST),
        past_weeks=PAST,
        pressure=ahead,
        weeks=AHEAD,
    )
    return propose_plan(
        dog,
        KIND,
        risk=risk,
        open_days=OPEN,
        issue_id="bench",
        today=TODAY,
        price=Price(0.1, None),
    )


def plan_some(part: tuple[int, int]) -> tuple[Counter[str], float]:
    """Plan a part of the dogs; return the proposals and the processor's seconds of planning."""
    rng = np.random.default_rng(part[0])
    ahead = season(AHEAD) * rng.gamma(10.0, 0.1, (500, 1))
    dogs = [ready_dog(number, rng) for number in range(*part)]
    plan(dogs[0], ahead)  # compiles, or reads what was compiled
    began = time.process_time()
    found = Counter(str(plan(dog, ahead).proposal) for dog in dogs)
    return found, time.process_time() - began


def main() -> None:
    """Plan and print."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--dogs", type=int, default=10_000)
    parser.add_argument("--processes", type=int, default=2)
    asked = parser.parse_args()
    edges = np.linspace(0, asked.dogs, asked.processes + 1).astype(int)
    began = time.perf_counter()
    with ProcessPoolExecutor(asked.processes) as pool:
        done = list(pool.map(plan_some, zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True)))
    wall = time.perf_counter() - began
    cpu = [seconds for _, seconds in done]
    total = sum((found for found, _ in done), Counter())
    print(f"{asked.dogs:,} dogs: {dict(total)}")
    print(f"the clock {wall:.1f} s (making the dogs too); the processor {sum(cpu):.1f} s,")
    print(f"the busiest process {max(cpu):.1f} s; {1000 * sum(cpu) / asked.dogs:.2f} ms a dog")


if __name__ == "__main__":
    main()
