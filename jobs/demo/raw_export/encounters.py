"""Who was seen, when, by whom, and what for: one row a patient and day, before any system has it.

The invented visits say only that an allergic dog came for itch, a recheck, a dose or something
else, and that others came. Here each visit gets its patient, its reason and its vet, the day on
which somebody typed it in, and how well the vet was going to write it down.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from jobs.demo.diary import KINDS, OTHER
from jobs.demo.invention import InventedPractice
from jobs.demo.raw_export.patients import all_patients, numbered, seen_on, with_housemates
from jobs.demo.raw_export.tables import RATES, between, day, own_stream, words
from jobs.demo.raw_export.vets import Vets, employ

ITCH_KINDS = KINDS[:OTHER]
FLARE, RECHECK, SCHEDULED = ITCH_KINDS
OLD, NEW = "old", "new"
WELL, EAR_ONLY, ITEMS_ONLY, HARDLY, CARE_PLAN = (
    "well",
    "ear only",
    "items only",
    "hardly",
    "care plan",
)
_NEVER_OF_ALLERGIC = ("neuter", "end")
_DAY, _MINUTE = np.timedelta64(1, "D"), np.timedelta64(1, "m")


@dataclass(frozen=True)
class Seen:
    """All that was seen: encounters, patients (with their numbers) and vets.

    Attributes
    ----------
    encounters
        A row a patient and day: date, branch (number), patient (row of `patients`), kind, reason,
        cause (what an itch really came from, empty for flares), therapy and status (as the
        invention has them), written (how well a flare was written down), vet, at (minute of the
        day), entered, system, client, late (typed in weeks later), named (one of the named cases),
        minutes (how long it lasted, not-a-number where nobody wrote it down).
    """

    encounters: pd.DataFrame
    patients: pd.DataFrame
    vets: Vets


def see_all(invented: InventedPractice) -> Seen:
    """Return everything that happened up to the as-of date."""
    rng = own_stream(invented.seed, "encounters")
    visits = _one_a_day(invented)
    first = visits["date"].min()
    n_days = (pd.Timestamp(invented.as_of) - first).days + 1
    since = (visits["date"] - first).dt.days.to_numpy()
    patients = all_patients(invented, n_days)
    branch = visits["branch"].map({b: k for k, b in enumerate(invented.branches["id"])}).to_numpy()
    of_register = visits["dog"].map({dog: k for k, dog in enumerate(invented.dogs["dog"])})
    own = of_register.notna().to_numpy()
    patient = of_register.fillna(-1).to_numpy(np.int64)
    patient[~own] = seen_on(since[~own], branch[~own], patients, rng)
    visits = visits.assign(branch=branch, patient=patient)
    visits, patients = _seen_together(visits, patients, own, rng)
    named = set(invented.named_cases.values())
    patients = numbered(patients, invented, protected=named)
    vets = employ(len(invented.branches), n_days, seed=invented.seed)
    visits["named"] = visits["dog"].isin(named).to_numpy()
    visits["vet"] = vets.on_duty(branch, since, rng)
    visits["client"] = patients["client"].to_numpy()[visits["patient"]]
    visits = _with_reasons(visits, rng)
    visits = _with_therapies(visits, invented)
    visits = _with_stamps(visits, invented)
    visits["written"] = _how_written(visits, vets, rng)
    return Seen(visits, patients, vets)


def _one_a_day(invented: InventedPractice) -> pd.DataFrame:
    """Return the visits, those of one dog on one day as one; the flare comes first among them."""
    visits = invented.visits
    rank = visits["kind"].map({kind: number for number, kind in enumerate(KINDS)})
    ordered = visits.assign(rank=rank, order=np.arange(len(visits)))
    ordered = ordered.sort_values("rank", kind="stable")
    again = ordered["dog"].notna() & ordered.duplicated(["dog", "date"])
    kept = ordered[~again].sort_values("order", ignore_index=True)
    return kept[["date", "branch", "dog", "kind", "minutes"]]


def _seen_together(
    visits: pd.DataFrame, patients: pd.DataFrame, own: NDArray[np.bool_], rng: np.random.Generator
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Let some other visits be of animals of the same house as an allergic dog seen that day."""
    picked = own & (rng.random(len(visits)) < RATES.number("dirt.housemate"))
    wanted = picked.astype(int) * (
        1 + (rng.random(len(visits)) < RATES.number("dirt.second_housemate"))
    )
    others = np.flatnonzero(~own)
    groups = visits[~own].groupby(["branch", "date"]).indices
    free = {key: others[where].tolist() for key, where in groups.items()}
    patient = visits["patient"].to_numpy().copy()
    client = patients["client"].to_numpy()
    mates: dict[tuple[int, int], int] = {}
    here_today = set()
    for visit in np.flatnonzero(picked).tolist():
        when = (visits["branch"].iloc[visit], visits["date"].iloc[visit])
        for number in range(wanted[visit]):
            house = (int(client[patient[visit]]), number)
            if free.get(when) and (house, when) not in here_today:
                row = free[when].pop()
                patient[row] = mates.setdefault(house, len(patients) + len(mates))
                here_today.add((house, when))
    houses = [house for house, _ in mates]
    return visits.assign(patient=patient), with_housemates(patients, houses)


def _with_reasons(visits: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """Add what each visit was for; for itch it is the kind itself."""
    reasons = list(dict.fromkeys(key.split(".")[0] for key in RATES.group("reason")))
    shares = np.array([RATES.number(f"reason.{reason}.share") for reason in reasons])
    causes = [RATES.group(f"reason.{reason}").get("cause") for reason in reasons]
    drawn = rng.choice(len(reasons), size=len(visits), p=shares / shares.sum())
    allergic = visits["dog"].notna().to_numpy()
    never = allergic & np.isin(drawn, [reasons.index(name) for name in _NEVER_OF_ALLERGIC])
    drawn[never] = reasons.index("vaccination")
    itch = visits["kind"].isin(ITCH_KINDS).to_numpy()
    reason = np.where(itch, visits["kind"], np.array(reasons, dtype=object)[drawn])
    told = np.array([str(cause.value) if cause else "" for cause in causes], dtype=object)
    return visits.assign(reason=reason, cause=np.where(itch, "", told[drawn]))


def _with_therapies(visits: pd.DataFrame, invented: InventedPractice) -> pd.DataFrame:
    """Add the therapy of the day, where the invention has one at a visit for itch."""
    of_day = invented.therapies[["dog", "date", "therapy", "status"]].drop_duplicates(
        ["dog", "date"]
    )
    found = visits.merge(of_day, on=["dog", "date"], how="left")
    dosed = found["kind"].isin((FLARE, SCHEDULED))
    for column in ("therapy", "status"):
        visits[column] = found[column].where(dosed).fillna("").to_numpy(dtype=object)
    return visits


def _with_stamps(visits: pd.DataFrame, invented: InventedPractice) -> pd.DataFrame:
    """Add minute, entry stamp, system, and whether it came late; a house is billed as one."""
    rng = own_stream(invented.seed, "entry")
    n = len(visits)
    at = between(rng, "entry.hours", n).astype(np.int64)
    later = rng.random(n) >= RATES.number("entry.same_day")
    delay = np.where(later, rng.geometric(1 / RATES.number("entry.days_later"), size=n), 0)
    in_drawer = rng.random(n) < RATES.number("entry.late")
    delay = np.where(in_drawer, between(rng, "entry.late_days", n).astype(np.int64), delay)
    delay[visits["named"]] = 0
    end = int(words("entry.hours")[1])
    typed = np.where(delay > 0, between(rng, "entry.hours", n).astype(np.int64), at)
    typed = np.minimum(typed + rng.integers(1, 20, size=n), end)
    date = visits["date"].to_numpy().astype("datetime64[D]")
    entered = (date + delay * _DAY).astype("datetime64[m]") + typed * _MINUTE
    visits = visits.assign(
        at=at,
        entered=entered.astype("datetime64[s]"),
        system=np.where(date >= day("second_system"), NEW, OLD),
    )
    house = visits.groupby(["branch", "date", "client"], sort=False)
    with_named = house["named"].transform("any")
    for column in ("at", "entered"):
        same = house[column].transform("max").mask(with_named, house[column].transform("min"))
        visits[column] = same.astype(visits[column].dtype)
    days = (visits["entered"].dt.normalize() - visits["date"]).dt.days
    return visits.assign(late=days >= int(words("entry.late_days")[0]))


def _how_written(visits: pd.DataFrame, vets: Vets, rng: np.random.Generator) -> NDArray[np.object_]:
    """Draw how well each visit for itch is written down; a named case's is written well."""
    ends = np.cumsum(
        [RATES.number(f"written.{key}") for key in ("ear_only", "items_only", "hardly")]
    )
    u = rng.random(len(visits))
    written = np.select(
        [u < ends[0], u < ends[1], u < ends[2]], [EAR_ONLY, ITEMS_ONLY, HARDLY], WELL
    ).astype(object)
    itch = visits["kind"].isin(ITCH_KINDS).to_numpy()
    written[itch & (visits["kind"] != FLARE).to_numpy()] = WELL
    mute = rng.random(len(visits)) < vets.empty_note[visits["vet"].to_numpy()]
    written[mute] = ITEMS_ONLY
    date = visits["date"].to_numpy().astype("datetime64[D]")
    planned = (date >= day("care_plan")) & (visits["system"] == OLD).to_numpy()
    planned &= rng.random(len(visits)) < RATES.number("written.care_plan_used")
    written[planned & (written != EAR_ONLY)] = CARE_PLAN
    written[visits["named"]] = WELL
    written[~itch] = np.where(mute[~itch], ITEMS_ONLY, WELL)
    return written
