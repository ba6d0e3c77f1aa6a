"""The lines that both systems hold: one row a line, and what a line of an export says.

Columns: encounter (row of the encounters, -1 where nobody was truly seen), told (row whose vet and
note it carries), says (whether the note stands on it), who (row of the patients, -1 for one that
does not exist), patient (the number as written), invoice (the bill it stands on), place (within
all), system, date and entered (when), branch, key, quantity, amount, state, and dirt: what was
planted there.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from jobs.demo.invention import InventedPractice
from jobs.demo.raw_export.encounters import NEW, OLD, Seen
from jobs.demo.raw_export.tables import RATES, items, own_stream

COUNTS, VOIDED, REOPENED = "counts", "voided", "reopened"
NONE = ""
# Number and name of each patient that is none. One can be told by its name alone.
TEST_PATIENTS = {
    OLD: {"99999": "Testy", "TEST": "Nobody", "90210": "ZZTEST"},
    NEW: {"DEMO1": "Nobody", "P999999": "DEMO DOG"},
}
_TEST_OWNER = "Test"
_OLD_NUMBERS_AFTER = 10_000


def written_lines(invented: InventedPractice, seen: Seen, billed: pd.DataFrame) -> pd.DataFrame:
    """Return the lines as they would be if nobody ever erred."""
    visits = seen.encounters
    bills = visits.groupby(["system", "branch", "date", "client"]).ngroup().to_numpy()
    at = visits["date"] + pd.to_timedelta(visits["at"], unit="min")
    row = billed["encounter"].to_numpy()
    new = (visits["system"] == NEW).to_numpy()[row]
    prices = {key: item.price for key, item in items().items()}
    return pd.DataFrame(
        {
            "encounter": row,
            "told": row,
            # The old system writes a note once, the new one on each line of the visit.
            "says": new | ~pd.Series(row).duplicated().to_numpy(),
            "who": visits["patient"].to_numpy()[row],
            "patient": _numbers(seen, seed=invented.seed)[row],
            "invoice": bills[row].astype(float),
            "place": np.arange(len(row)),
            "system": visits["system"].to_numpy()[row],
            "date": at.to_numpy()[row],
            "entered": visits["entered"].to_numpy()[row],
            "branch": invented.branches["id"].to_numpy(dtype=object)[visits["branch"]][row],
            "key": billed["key"].to_numpy(),
            "quantity": billed["quantity"].to_numpy(),
            "amount": billed["quantity"].to_numpy() * billed["key"].map(prices).to_numpy(),
            "state": COUNTS,
            "dirt": NONE,
        }
    )


def described(lines: pd.DataFrame, seen: Seen, notes: NDArray[np.object_]) -> pd.DataFrame:
    """Return what lines say of patient and owner, the vet and the note; minutes as numbers."""
    who, told = lines["who"].to_numpy(), lines["told"].to_numpy()
    there = who >= 0
    patient = seen.patients.iloc[np.where(there, who, 0)].set_axis(lines.index)
    names = TEST_PATIENTS[OLD] | TEST_PATIENTS[NEW]
    before = lines["date"] < patient["moves"]
    return pd.DataFrame(
        {
            "name": patient["name"].where(there, lines["patient"].map(names)),
            "species": species_written(lines, seen),
            "client": patient["client"].where(there, -1),
            "client_name": patient["client_name"].where(there, _TEST_OWNER),
            "postcode": patient["postcode"]
            .where(before, patient["postcode_after"])
            .where(there, ""),
            "vet": seen.vets.code[seen.encounters["vet"].to_numpy()[told]],
            "note": np.where(lines["says"], notes[told], ""),
            "minutes": seen.encounters["minutes"].to_numpy()[told],
        },
        index=lines.index,
    )


def species_written(lines: pd.DataFrame, seen: Seen) -> NDArray[np.object_]:
    """Return the species on each line, empty where nobody filled it in."""
    patients = seen.patients
    species = patients["species"].mask(patients["species_blank"], "").to_numpy(dtype=object)
    who = lines["who"].to_numpy()
    return np.where(who >= 0, species[who], "dog")


def _numbers(seen: Seen, *, seed: int) -> NDArray[np.object_]:
    """Return the patient's number at each encounter; some are under a second number."""
    rng = own_stream(seed, "dirt").spawn(1)[0]
    visits = seen.encounters
    patient = seen.patients.iloc[visits["patient"]]
    second = rng.random(len(visits)) < RATES.number("patients.second_number_used")
    old = patient["old_number"].mask(second & (patient["second"] != ""), patient["second"])
    numbers = old.where((visits["system"] == OLD).to_numpy(), patient["new_number"])
    return numbers.to_numpy(dtype=object)


def with_invoice_numbers(lines: pd.DataFrame) -> pd.DataFrame:
    """Add `number`: the old system counts each branch apart, the new one all as one."""
    order = lines.groupby("invoice")["entered"].transform("min")
    home = lines.groupby("invoice")["branch"].transform("max").where(lines["system"] == OLD, NEW)
    bills = (
        lines.assign(order=order, home=home)
        .drop_duplicates("invoice")
        .sort_values(["home", "order", "invoice"])
    )
    count = bills.groupby("home").cumcount() + 1
    old = (bills["system"] == OLD).to_numpy()
    text = np.where(old, (count + _OLD_NUMBERS_AFTER).astype(str), count.map("{:07d}".format))
    numbers = pd.Series(text, index=bills["invoice"].to_numpy())
    return lines.assign(number=lines["invoice"].map(numbers))
