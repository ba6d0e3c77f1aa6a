"""What stands on the invoice: the items of each visit, by the vet's habits of booking."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd

from jobs.demo.diary import DECLINED, STATUSES
from jobs.demo.dogs import THERAPIES
from jobs.demo.raw_export.encounters import (
    CARE_PLAN,
    EAR_ONLY,
    FLARE,
    HARDLY,
    ITCH_KINDS,
    NEW,
    RECHECK,
    SCHEDULED,
    Seen,
)
from jobs.demo.raw_export.tables import RATES, day, own_stream, words

# Which packs of a therapy the practice has, from a small to a large dog.
_PACKS = dict(
    zip(
        THERAPIES,
        (
            ("jak_small", "jak_medium", "jak_large"),
            ("antibody_10", "antibody_20", "antibody_40"),
            ("ciclosporin_50", "ciclosporin_50", "ciclosporin_100"),
            ("steroid_5", "steroid_5", "steroid_20"),
        ),
        strict=True,
    )
)
_IN_PLAN = dict(
    zip(THERAPIES, ("plan_tablets", "plan_injection", "plan_capsules", "plan_course"), strict=True)
)
_STEPS = ("plan_step_1", "plan_step_2", "plan_step_3")
# The new system knows no care plan.
WITHOUT_PLAN = {
    **dict.fromkeys(_STEPS, "cons_skin"),
    "plan_review": "recheck_skin",
    "plan_dose": "nurse_injection",
    **{_IN_PLAN[name]: packs[1] for name, packs in _PACKS.items()},
}
_WASHES = ("shampoo", "wipes", "spray", "cream")
_OTHER_SPECIES = {
    "cat": {"booster": "vaccine_cat", "booster_part": "vaccine_cat"},
    "rabbit": dict.fromkeys(
        ("booster", "booster_part", "vaccine_first", "vaccine_second", "vaccine_cough", "rabies"),
        "vaccine_rabbit",
    ),
}
_UNSAID = ("misc", "sundry", "discount")


def bill(seen: Seen, *, seed: int) -> pd.DataFrame:
    """Return a row an invoice line: encounter (its row), key of the item, quantity.

    Lines of an encounter stand together, its main item first.
    """
    rng = own_stream(seed, "billing")
    visits = seen.encounters
    itch = visits["kind"].isin(ITCH_KINDS).to_numpy()
    clerk = _Clerk(seen, rng)
    rows = [
        (visit, number, key, quantity)
        for visit in np.flatnonzero(itch).tolist()
        for number, (key, quantity) in enumerate(clerk.itch(visit))
    ]
    parts = [pd.DataFrame(rows, columns=["encounter", "number", "key", "quantity"])]
    for reason in visits.loc[~itch, "reason"].unique():
        which = np.flatnonzero((visits["reason"] == reason).to_numpy() & ~itch)
        parts.append(_bundles(which, words(f"reason.{reason}.items"), rng))
    extra = np.flatnonzero(rng.random(len(visits)) < RATES.number("dirt.misc"))
    unsaid = rng.choice(np.array(_UNSAID, dtype=object), size=len(extra))
    parts.append(pd.DataFrame({"encounter": extra, "number": 99, "key": unsaid, "quantity": 1}))
    lines = pd.concat(parts).sort_values(["encounter", "number"], ignore_index=True)
    lines["key"] = _as_sold(lines, seen)
    return lines[["encounter", "key", "quantity"]]


def _bundles(visits: np.ndarray, bundles: list[str], rng: np.random.Generator) -> pd.DataFrame:
    drawn = rng.integers(0, len(bundles), size=len(visits))
    parts = []
    for number, bundle in enumerate(bundles):
        mine = visits[drawn == number]
        for place, key in enumerate(bundle.split()):
            parts.append(
                pd.DataFrame({"encounter": mine, "number": place, "key": key, "quantity": 1})
            )
    return pd.concat(parts)


def _as_sold(lines: pd.DataFrame, seen: Seen) -> pd.Series:
    """Return the keys with vaccines by species, and with the ear drops that were deleted later."""
    visits, row = seen.encounters, lines["encounter"].to_numpy()
    species = seen.patients["species"].to_numpy()[visits["patient"]][row]
    key = lines["key"]
    for name, instead in _OTHER_SPECIES.items():
        key = key.mask(species == name, key.replace(instead))
    before = (visits["date"].to_numpy().astype("datetime64[D]") < day("deleted"))[row]
    return key.mask(before & (key == "ear_drops").to_numpy(), "ear_drops_deleted")


class _Clerk:
    """Books one visit for itch after another."""

    def __init__(self, seen: Seen, rng: np.random.Generator) -> None:
        visits = seen.encounters
        self.rng = rng
        self.kind = visits["kind"].tolist()
        self.written = visits["written"].tolist()
        self.therapy = visits["therapy"].tolist()
        self.status = visits["status"].tolist()
        self.patient = visits["patient"].tolist()
        self.system = visits["system"].tolist()
        self.skin_item = seen.vets.skin_item[visits["vet"].to_numpy()].tolist()

    def itch(self, visit: int) -> Iterator[tuple[str, int]]:
        """Give the items of a visit for itch with their quantities."""
        yield self._consultation(visit), 1
        yield from self._therapy(visit)
        if self.kind[visit] == FLARE and self.written[visit] == EAR_ONLY:
            yield from self._by_chance("ear_drops", "ear_smear")
        elif self.kind[visit] == FLARE and self.written[visit] != HARDLY:
            yield from self._by_chance("cytology", "scrape", "shampoo", "antibiotic", "spot_on")

    def _consultation(self, visit: int) -> str:
        kind, written = self.kind[visit], self.written[visit]
        telling = self.rng.random() < self.skin_item[visit]
        long = self.rng.random() < 0.5
        if written == CARE_PLAN and self.system[visit] != NEW:
            if kind == FLARE:
                return _STEPS[int(self.rng.random() * len(_STEPS))]
            return "plan_review" if kind == RECHECK else "plan_dose"
        if kind == RECHECK:
            return "recheck_skin" if telling else "recheck"
        if kind == SCHEDULED:
            return "nurse_injection" if telling else "nurse"
        if not telling or written == HARDLY:
            return "cons_long" if long and written != HARDLY else "cons"
        if written == EAR_ONLY:
            return "cons_ear"
        return "cons_skin" if long else "cons_skin_short"

    def _therapy(self, visit: int) -> Iterator[tuple[str, int]]:
        name = self.therapy[visit]
        if not name or self.status[visit] == STATUSES[DECLINED]:
            return
        pack = _PACKS[name][self.patient[visit] % 3]
        if self.written[visit] == CARE_PLAN:
            pack = _IN_PLAN[name]
        yield (
            pack,
            1 if pack.startswith("antibody") or pack == "plan_injection" else self._tablets(),
        )

    def _by_chance(self, *keys: str) -> Iterator[tuple[str, int]]:
        """Give those of the items that are sold beside the therapy this time."""
        for key in keys:
            if self.rng.random() < RATES.number(f"added.{key}"):
                wash = key == "shampoo"
                sold = _WASHES[int(self.rng.random() * len(_WASHES))] if wash else key
                yield sold, self._tablets() if key == "antibiotic" else 1

    def _tablets(self) -> int:
        least, most = words("added.tablets")
        return int(self.rng.integers(least // 7, most // 7 + 1)) * 7
