"""An invented desk for tests: branches alike, staff in proportion, counts drawn about a level."""

from __future__ import annotations

from datetime import date

import numpy as np
import pandas as pd
import xarray as xr

from forecast.regions import Branch
from forecast.staffing.desk_numbers import DOSE, FLARE, KINDS, OTHER, PHONE, RECHECK
from forecast.staffing.inputs import BranchHours, StaffingInputs, StaffMember
from forecast.staffing.workload import Workload, minutes_table
from models.weeks import week_range

MONDAY = date(2026, 3, 2)
WEEKDAYS = ("mon", "tue", "wed", "thu", "fri")
USUAL = {FLARE: 6.0, RECHECK: 4.0, DOSE: 3.0, OTHER: 100.0, PHONE: 150.0}


def hours(*names, days=WEEKDAYS, **more):
    """Return opening hours of branches that are alike."""
    return {name: BranchHours(Branch(name, name, name, days), **more) for name in names}


def inputs(names, staff, **more):
    """Return what the desk says, all else from the table."""
    return StaffingInputs(staff=tuple(staff), hours=hours(*names), **more)


def staff_of(name, *, others=(), vets=1, technicians=1, desks=1):
    """Return full-time people of a branch."""
    wanted = [("vet", vets), ("technician", technicians), ("desk", desks)]
    return [
        StaffMember(f"{name} {role} {n}", (role,), name, 40.0, tuple(others))
        for role, many in wanted
        for n in range(many)
    ]


def workload(given, *, counts=None, n_weeks=2, n_draws=40, spread=0.15, seed=1):
    """Draw a load about usual counts, by branch a factor if told in `counts`."""
    names = list(given.hours)
    rng = np.random.default_rng(seed)
    level = np.array([(counts or {}).get(name, 1.0) for name in names])
    shape = (n_draws, len(names), n_weeks)
    shared = np.exp(rng.normal(0.0, spread, (n_draws, 1, n_weeks)))
    mean = shared * level[None, :, None]
    visits = np.stack([rng.poisson(USUAL[kind] * mean) for kind in KINDS]).astype(float)
    coords = {
        "kind": list(KINDS),
        "draw": np.arange(n_draws),
        "branch": names,
        "week": pd.DatetimeIndex(week_range(MONDAY, n_weeks)),
    }
    array = xr.DataArray(visits, dims=("kind", "draw", "branch", "week"), coords=coords)
    assert array.shape[1:] == shape
    opens = np.array([[1.0] * 5 + [0.0] * 2] * len(names)) / 5
    weekday = xr.DataArray(
        opens, dims=("branch", "weekday"), coords={"branch": names, "weekday": range(7)}
    )
    return Workload(array, xr.zeros_like(array), minutes_table(given, names), weekday)
