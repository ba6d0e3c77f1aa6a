"""What goes wrong at a front desk, planted on purpose, each line of it marked.

Nothing is planted on the visits of the named cases, whose stories a report tells.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from jobs.demo.raw_export.billing import WITHOUT_PLAN
from jobs.demo.raw_export.encounters import FLARE, ITCH_KINDS, NEW, OLD, Seen
from jobs.demo.raw_export.lines import NONE, REOPENED, TEST_PATIENTS, VOIDED, with_invoice_numbers
from jobs.demo.raw_export.tables import RATES, between, day, items, own_stream

CANCELLED, WRONG_PATIENT, TWICE_BILLED, TEST, BOTH, REPEATED, NO_BRANCH = (
    "cancelled line",
    "voided invoice",
    "reopened invoice",
    "test patient",
    "visit held by both systems",
    "repeated line",
    "line without a branch",
)
_WRONG_ITEMS = ("antibody_20", "jak_medium", "cons_skin", "jak_large")
_AFTER_THE_LAST = 10_000_000.0
_DAY, _MINUTE = np.timedelta64(1, "D"), np.timedelta64(1, "m")


def plant(lines: pd.DataFrame, seen: Seen, *, seed: int, last: np.datetime64) -> pd.DataFrame:
    """Return the lines with everything planted, up to the last minute that the export knows."""
    rng = own_stream(seed, "dirt")
    lines = _cancel(lines, seen, rng)
    named = seen.encounters["named"].to_numpy()[lines["encounter"]]
    spared = set(lines.loc[named, "invoice"])
    lines = _hold_twice(lines, seen, spared, rng)
    lines = _bill_wrong_patient(lines, seen, spared, rng)
    lines = _reopen(lines, spared, rng, last=last)
    lines = _try_out(lines, seen, rng)
    lines = _lose_branches(with_invoice_numbers(lines), spared, rng)
    lines = lines[lines["entered"] <= last]
    lines = lines.sort_values(["entered", "invoice", "place"], kind="stable", ignore_index=True)
    return _repeat(lines, rng)


def _cancel(lines: pd.DataFrame, seen: Seen, rng: np.random.Generator) -> pd.DataFrame:
    """Bill a wrong item at visits for other things, then take it back with a minus."""
    visits = seen.encounters
    other = ~visits["kind"].isin(ITCH_KINDS).to_numpy() & ~visits["named"].to_numpy()
    chosen = other & (rng.random(len(visits)) < RATES.number("dirt.cancelled"))
    last = lines[~lines["encounter"].duplicated(keep="last")]
    wrong = last[chosen[last["encounter"]]].copy()
    wrong["key"] = rng.choice(np.array(_WRONG_ITEMS, dtype=object), size=len(wrong))
    wrong["quantity"] = 1
    wrong["amount"] = wrong["key"].map({key: item.price for key, item in items().items()})
    wrong["says"] = wrong["system"] == NEW
    wrong["dirt"] = CANCELLED
    back = wrong.assign(quantity=-1, amount=-wrong["amount"])
    together: pd.DataFrame = pd.concat([lines, wrong, back], ignore_index=True)
    together = together.sort_values(["encounter", "place"], kind="stable", ignore_index=True)
    together["place"] = np.arange(len(together))
    return together


def _bill_wrong_patient(
    lines: pd.DataFrame, seen: Seen, spared: set[float], rng: np.random.Generator
) -> pd.DataFrame:
    """Write invoices for another dog first; that one is voided, the right one stays."""
    bills = _bills_of_one(lines, spared)
    chosen = bills[rng.random(len(bills)) < RATES.number("dirt.voided")]
    copy = lines[lines["invoice"].isin(chosen) & (lines["dirt"] == NONE)].copy()
    patients = seen.patients
    dogs = np.flatnonzero((patients["species"] == "dog") & (patients["pool"] >= 0))
    wrong = pd.Series(rng.choice(dogs, size=len(chosen)), index=chosen)
    copy["who"] = copy["invoice"].map(wrong)
    old, new = (patients[name].to_numpy()[copy["who"]] for name in ("old_number", "new_number"))
    copy["patient"] = np.where(copy["system"] == OLD, old, new)
    copy = copy.assign(
        encounter=-1,
        entered=copy["entered"] - 5 * _MINUTE,
        invoice=copy["invoice"] + 0.25,
        state=VOIDED,
        dirt=WRONG_PATIENT,
    )
    return pd.concat([lines, copy], ignore_index=True)


def _reopen(
    lines: pd.DataFrame, spared: set[float], rng: np.random.Generator, *, last: np.datetime64
) -> pd.DataFrame:
    """Void invoices and write them again days later, under the same number.

    The old system then dates the invoice anew; the new one keeps the day of the visit.
    """
    bills = pd.Index(sorted(set(lines.loc[lines["dirt"] == NONE, "invoice"]) - spared))
    bills = bills.difference(pd.Index(lines.loc[lines["dirt"] != NONE, "invoice"]))
    first = lines.drop_duplicates("invoice").set_index("invoice")["entered"].loc[bills]
    later = first + pd.to_timedelta(between(rng, "dirt.reopened_days", len(bills)).astype(int), "D")
    fits = (later <= last) & (later.dt.year == first.dt.year)
    chosen = fits & (rng.random(len(bills)) < RATES.number("dirt.reopened"))
    again = lines["invoice"].isin(bills[chosen])
    copy = lines[again].copy()
    copy["entered"] = copy["invoice"].map(later)
    minute = copy["date"] - copy["date"].dt.normalize()
    anew = copy["entered"].dt.normalize() + minute
    copy["date"] = anew.where(copy["system"] == OLD, copy["date"])
    copy["state"], copy["dirt"] = REOPENED, TWICE_BILLED
    lines = lines.assign(
        state=lines["state"].mask(again, VOIDED), dirt=lines["dirt"].mask(again, TWICE_BILLED)
    )
    return pd.concat([lines, copy], ignore_index=True)


def _hold_twice(
    lines: pd.DataFrame, seen: Seen, spared: set[float], rng: np.random.Generator
) -> pd.DataFrame:
    """Enter some visits of the last days before the change into the new system, too."""
    switch = day("second_system")
    recent = lines["date"] >= switch - int(RATES.number("dirt.both_days")) * _DAY
    there = lines[(lines["system"] == OLD) & recent & (lines["entered"] < switch)]
    bills = np.array(sorted(set(there["invoice"]) - spared))
    chosen = bills[rng.random(len(bills)) < RATES.number("dirt.both_systems")]
    copy = there[there["invoice"].isin(chosen)].copy()
    typed = pd.Series(rng.integers(540, 1080, size=len(chosen)), index=chosen)
    copy["entered"] = switch.astype("datetime64[s]") + pd.to_timedelta(
        copy["invoice"].map(typed), unit="min"
    )
    patient = seen.encounters["patient"].to_numpy()[copy["encounter"]]
    copy = copy.assign(
        system=NEW,
        key=copy["key"].replace(WITHOUT_PLAN),
        invoice=copy["invoice"] + _AFTER_THE_LAST,
        patient=seen.patients["new_number"].to_numpy()[patient],
        says=True,
        dirt=BOTH,
    )
    return pd.concat([lines, copy], ignore_index=True)


def _try_out(lines: pd.DataFrame, seen: Seen, rng: np.random.Generator) -> pd.DataFrame:
    """Bill patients that do not exist, as when a new colleague is shown the front desk."""
    parts = [lines]
    flares = seen.encounters["kind"].to_numpy() == FLARE
    for system, names in TEST_PATIENTS.items():
        here = lines[(lines["system"] == system) & (lines["dirt"] == NONE)]
        years = (here["date"].max() - here["date"].min()) / np.timedelta64(1, "D") / 365.25
        some = here[flares[here["encounter"]]]
        bills = some["invoice"].unique()
        n = min(round(years * RATES.number("dirt.tests_a_year")), len(bills)) if len(bills) else 0
        copy = some[some["invoice"].isin(rng.choice(bills, size=n, replace=False))]
        number = dict(zip(bills.tolist(), rng.choice(list(names), size=len(bills)), strict=True))
        parts.append(
            copy.assign(
                encounter=-1,
                who=-1,
                patient=copy["invoice"].map(number),
                invoice=copy["invoice"] + 0.5,
                dirt=TEST,
            )
        )
    return pd.concat(parts, ignore_index=True)


def _lose_branches(
    lines: pd.DataFrame, spared: set[float], rng: np.random.Generator
) -> pd.DataFrame:
    free = (lines["dirt"] == NONE) & ~lines["invoice"].isin(spared)
    lost = free & (rng.random(len(lines)) < RATES.number("dirt.no_branch"))
    return lines.assign(
        branch=lines["branch"].mask(lost, ""), dirt=lines["dirt"].mask(lost, NO_BRANCH)
    )


def _repeat(lines: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """Write some lines twice, one below the other."""
    twice = (lines["dirt"] == NONE) & (rng.random(len(lines)) < RATES.number("dirt.repeated"))
    copy = lines[twice].assign(dirt=REPEATED)
    return pd.concat([lines, copy]).sort_index(kind="stable").reset_index(drop=True)


def _bills_of_one(lines: pd.DataFrame, spared: set[float]) -> NDArray[np.float64]:
    """Return the invoices with one patient, nothing planted on them, and no named case."""
    patients = lines.groupby("invoice")["encounter"].nunique()
    clean = (lines["dirt"] == NONE).groupby(lines["invoice"]).all()
    bills = patients.index[(patients == 1) & clean.reindex(patients.index)]
    return np.array(sorted(set(bills) - spared))
