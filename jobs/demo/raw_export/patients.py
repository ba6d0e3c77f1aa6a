"""The patients of the whole practice, their owners, and the numbers both systems know them by.

The allergic dogs of the invention come first, under the number of the practice's register. All
others are made here: a branch sees so many at a time, and a share of them is new each year.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from jobs.demo.invention import InventedPractice
from jobs.demo.places import listed
from jobs.demo.raw_export.tables import RATES, own_stream, words

_DAYS_A_YEAR = 365.25
_FIRST_OLD_NUMBER = 10_001
_FAR = "ZZ"


def all_patients(invented: InventedPractice, n_days: int) -> pd.DataFrame:
    """Return a row a patient: dog, name, species, client, branch (its number), pool.

    `dog` is the number in the register and empty for all others; `client` numbers the owners;
    `pool` is the patient's place among the others of its branch, in the order of joining, and -1
    for the dogs of the register.
    """
    rng = own_stream(invented.seed, "patients")
    own = _register(invented)
    branches = len(invented.branches)
    each = _at_a_time() + int(_joins_a_day() * n_days) + 1
    n = branches * each
    shared = rng.random(n) < RATES.number("patients.shares_client")
    shared[::each] = False
    others = pd.DataFrame(
        {
            "dog": "",
            "name": rng.choice(np.array(listed("names.dogs"), dtype=object), size=n),
            "species": rng.choice(
                np.array(words("patients.species"), dtype=object),
                size=n,
                p=words("patients.species_shares"),
            ),
            "client": own["client"].max() + np.cumsum(~shared),
            "branch": np.repeat(np.arange(branches), each),
            "pool": np.tile(np.arange(each), branches),
        }
    )
    return pd.concat([own, others], ignore_index=True)


def seen_on(
    day: NDArray[np.int64],
    branch: NDArray[np.int64],
    patients: pd.DataFrame,
    rng: np.random.Generator,
) -> NDArray[np.int64]:
    """Return which of the other patients each visit is of; nobody comes twice on a day."""
    offset = patients.index[patients["pool"] == 0].to_numpy()
    first = (_joins_a_day() * day).astype(np.int64)
    who = np.full(len(day), -1)
    again = np.ones(len(day), dtype=bool)
    while again.any():
        place = first[again] + rng.integers(0, _at_a_time(), size=int(again.sum()))
        who[again] = offset[branch[again]] + place
        again = pd.DataFrame({"who": who, "day": day}).duplicated().to_numpy()
    return who


def with_housemates(patients: pd.DataFrame, clients: list[int]) -> pd.DataFrame:
    """Return the patients and, after them, a cat or dog more for each of these clients."""
    home = patients.drop_duplicates("client").set_index("client")["branch"]
    names = listed("names.dogs")
    more = pd.DataFrame(
        {
            "dog": "",
            "name": [names[number % len(names)] for number in range(len(clients))],
            "species": ["dog" if number % 2 else "cat" for number in range(len(clients))],
            "client": clients,
            "branch": home.reindex(clients).to_numpy(),
            "pool": -1,
        }
    )
    return pd.concat([patients, more], ignore_index=True)


def numbered(
    patients: pd.DataFrame, invented: InventedPractice, *, protected: set[str]
) -> pd.DataFrame:
    """Add old and new numbers, second numbers, owners' names, postcodes and moves.

    `second` is a second number in the old system, empty for most; `second_merged` says whether
    somebody found out. `moves` is the day from which `postcode_after` holds. Dogs named in
    `protected` are registered once.
    """
    rng = own_stream(invented.seed, "patients").spawn(1)[0]
    n = len(patients)
    old = _FIRST_OLD_NUMBER + rng.permutation(n)
    twice = (patients["dog"] != "").to_numpy() & ~patients["dog"].isin(protected).to_numpy()
    twice &= rng.random(n) < RATES.number("patients.registered_twice")
    second = np.full(n, "", dtype=object)
    free = _FIRST_OLD_NUMBER + n + np.arange(twice.sum())
    second[twice] = free.astype(str)
    merged = twice & (rng.random(n) >= RATES.number("patients.twice_not_merged"))
    blank = rng.random(n) < RATES.number("patients.species_blank")
    blank &= (patients["species"] == "dog").to_numpy() & (patients["dog"] == "").to_numpy()
    own = patients["dog"].where(patients["dog"] != "", [f"P{k:06d}" for k in range(n)])
    homes = _homes(patients, invented, rng)
    return patients.assign(
        old_number=old.astype(str),
        new_number=own.to_numpy(),
        second=second,
        second_merged=merged,
        species_blank=blank,
        client_name=_client_names(patients, invented, rng),
        **homes,
    )


def merges(patients: pd.DataFrame, in_old: set[int], in_new: set[int]) -> pd.DataFrame:
    """Return which number was given up for which: given_up, stays, why.

    A patient seen in both systems has its old number merged into the new one. So have the dogs of
    the register, whose numbers are the practice's own.
    """
    kept = patients.loc[sorted(in_old)]
    moved = kept[(kept["dog"] != "") | kept.index.isin(in_new)]
    twice = kept[kept["second_merged"]]
    return pd.DataFrame(
        {
            "given_up": [*twice["second"], *moved["old_number"]],
            "stays": [*twice["old_number"], *moved["new_number"]],
            "why": ["registered twice"] * len(twice) + ["change of system"] * len(moved),
        }
    )


def postcode_areas(invented: InventedPractice) -> dict[str, tuple[str, ...]]:
    """Return how the postcodes of each region begin."""
    both = zip(invented.branches["region"], invented.branches["id"], strict=True)
    return {region: (_area(branch),) for region, branch in both}


def _register(invented: InventedPractice) -> pd.DataFrame:
    dogs = invented.dogs
    place = {branch: number for number, branch in enumerate(invented.branches["id"])}
    return pd.DataFrame(
        {
            "dog": dogs["dog"],
            "name": dogs["name"],
            "species": dogs["species"],
            "client": pd.factorize(dogs["owner"])[0],
            "branch": dogs["branch"].map(place),
            "pool": -1,
        }
    )


def _client_names(
    patients: pd.DataFrame, invented: InventedPractice, rng: np.random.Generator
) -> NDArray[np.object_]:
    first, last = listed("names.owners_first"), listed("names.owners_last")
    known = pd.unique(invented.dogs["owner"])
    n = int(patients["client"].max()) + 1
    drawn = rng.integers(0, len(first) * len(last), size=n)
    names = np.array([f"{first[i % len(first)]} {last[i // len(first)]}" for i in drawn], object)
    names[: len(known)] = known
    return np.asarray(names[patients["client"].to_numpy()])


def _homes(
    patients: pd.DataFrame, invented: InventedPractice, rng: np.random.Generator
) -> dict[str, NDArray[np.generic]]:
    """Return the postcode of each owner, where it moves to, and when."""
    client = patients["client"].to_numpy()
    n = int(client.max()) + 1
    areas = np.array([_area(branch) for branch in invented.branches["id"]], dtype=object)
    home = patients.drop_duplicates("client").set_index("client")["branch"].reindex(range(n))
    area = areas[home.fillna(0).to_numpy(int)]
    area[rng.random(n) < RATES.number("patients.postcode_distant")] = _FAR
    before, after = (_codes(area, rng) for _ in range(2))
    first, last = invented.visits["date"].min(), pd.Timestamp(invented.as_of)
    on = first + pd.to_timedelta(rng.integers(0, (last - first).days, size=n), unit="D")
    moves = rng.random(n) < RATES.number("patients.moves_house")
    missing = rng.random(n) < RATES.number("patients.postcode_missing")
    before[missing], after[missing] = "", ""
    on = on.where(moves, last + pd.Timedelta(days=1))
    return {
        "postcode": before[client],
        "postcode_after": after[client],
        "moves": on.to_numpy()[client],
    }


def _codes(area: NDArray[np.object_], rng: np.random.Generator) -> NDArray[np.object_]:
    district, rest = rng.integers(1, 30, size=len(area)), rng.integers(0, 1000, size=len(area))
    triples = zip(area, district, rest, strict=True)
    return np.array([f"{a}{d} {r:03d}" for a, d, r in triples], dtype=object)


def _area(branch: str) -> str:
    return branch[:2].upper()


def _at_a_time() -> int:
    return int(RATES.number("patients.seen_at_a_time"))


def _joins_a_day() -> float:
    return RATES.number("patients.turnover") * _at_a_time() / _DAYS_A_YEAR
