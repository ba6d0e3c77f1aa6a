"""A roster of 20 branches, 60 staff and 16 weeks: how near the best possible, in what time.

    python tests/bench/bench_roster.py [branches]

Each branch has a vet, a technician who also works at the desk, and every other one a second vet for
three days or a person at the desk. Everybody can go to the next two branches and has a week of
leave. The load of the branches differs, so that people are wanted where they are not.
"""

from __future__ import annotations

import sys
import time
from datetime import timedelta
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "forecast" / "staffing"))

from small_desk import MONDAY, inputs, workload

from forecast.staffing.inputs import StaffMember
from forecast.staffing.overflow import meet
from forecast.staffing.rostering import mean_load, nothing_done, plan_roster


def main() -> None:
    """Plan it once over futures and once on mean loads, and say what the draws make of each."""
    n = int(sys.argv[1]) if len(sys.argv) > 1 else 20
    names = [f"branch {k:02d}" for k in range(n)]
    rng = np.random.default_rng(5)
    staff = []
    for k, name in enumerate(names):
        others = (names[(k + 1) % n], names[(k + 2) % n])
        people = [("vet", 40.0), ("technician", 40.0)]
        people.append(("vet", 24.0) if k % 2 else ("desk", 40.0))
        for role, contract in people:
            away = MONDAY + timedelta(weeks=int(rng.integers(16)))
            leave = ((away, away + timedelta(days=4)),)
            skills = ("technician", "desk") if role == "technician" else (role,)
            who = f"{name} {role} {contract:.0f}"
            staff.append(StaffMember(who, skills, name, contract, others, leave=leave))
    given = inputs(names, staff)
    levels = dict(zip(names, rng.uniform(0.5, 1.2, n), strict=True))
    load = workload(given, counts=levels, n_weeks=16, n_draws=500, spread=0.12)
    for name, make in (
        ("planned over futures", lambda: plan_roster(load, given)),
        ("planned on mean loads", lambda: plan_roster(mean_load(load), given)),
        ("nothing done", lambda: nothing_done(load, given)),
    ):
        began = time.monotonic()
        roster = make()
        took = time.monotonic() - began
        met = meet(load, roster, given)
        lost = float(met.turned_away.sum(("kind", "branch", "week")).mean())
        told = roster.solution.sentence if roster.solution else "nothing to optimise"
        print(
            f"{name}: {took:.1f} s, {told}; {lost:.0f} visits turned away; "
            f"{len(roster.unheld)} not held; {len(roster.shifts)} shifts"
        )


if __name__ == "__main__":
    main()
