"""How fast every dog of a large group is judged for every class of therapy, from its records.

    python tests/bench/bench_readiness.py [--dogs 50000] [--keep FOLDER]

Invented dogs in a file of SQLite: 18 facts each of some age, three scores, four doses or courses,
six visits, some reactions, vaccinations and medicines. Read as of a day and judged, in one process;
shown are seconds of the clock and of the processor, and the peak memory. Wanted: under 20 s on two
cores for 50,000 dogs. On a machine with other work the processor's seconds are those to look at.
"""

from __future__ import annotations

import argparse
import resource
import tempfile
import time
from collections import Counter
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import numpy as np

from forecast.dosing.readiness import readiness_for_each
from forecast.dosing.register import read_register
from forecast.dosing.rules import rules_of
from forecast.dosing.therapies import THERAPY_IDS
from forecast.practice import Practice, create_practice, open_practice, template
from forecast.records import Records, open_records, tables
from forecast.records.bulk import Values, batches, insert_rows, undisturbed
from forecast.visits.importing.patient_reading import YES_NO_FACTS

TODAY = date(2025, 6, 1)
NOW = datetime(2025, 6, 1, 8, tzinfo=UTC)
_WANTED_YES = ("examination", "atopic_dermatitis", "flea_control", "therapy_history")
_AT_ONCE = 20_000


def fill(records: Records, n_dogs: int) -> None:
    """Write the invented dogs."""
    rng = np.random.default_rng(1)
    dogs = [f"dog-{n:06d}" for n in range(n_dogs)]
    with records.writing() as connection:
        insert_rows(
            connection,
            tables.branch,
            ("id", "name", "region_id", "open_days"),
            [("b", "B", "seoul", "mon tue wed thu fri")],
        )
    columns = ("id", "species", "birth_date", "sex", "neutered", "branch_id")
    rows: list[Values] = [
        (dog, "dog", "2019-03-01", "female", n % 2 == 0, "b") for n, dog in enumerate(dogs)
    ]
    _add(records, tables.dog, columns, rows)
    _add(records, tables.dog_identity, ("dog_id", "reference"), [(dog, dog) for dog in dogs])
    statuses = [(dog, "active", True) for dog in dogs]
    _add(records, tables.dog_status, ("dog_id", "status", "day_given"), statuses)
    _add_care(records, dogs, rng)


def _add_care(records: Records, dogs: list[str], rng: np.random.Generator) -> None:
    def days(n: int, oldest: int) -> list[str]:
        back = rng.integers(0, oldest, n)
        return [str(TODAY - timedelta(days=int(one))) for one in back]

    n = len(dogs)
    facts: list[Values] = []
    for kind in rng.permutation(YES_NO_FACTS)[:17].tolist():
        wrong = rng.random(n) < 0.03
        words = np.where(wrong == (kind in _WANTED_YES), "no", "yes")
        facts += list(zip(dogs, [kind] * n, words.tolist(), [None] * n, days(n, 300), strict=True))
    weights = rng.normal(15, 4, n).round(1).clip(1).tolist()
    facts += list(zip(dogs, ["weight_kg"] * n, [None] * n, weights, days(n, 200), strict=True))
    _add(records, tables.dog_fact, ("dog_id", "kind", "word", "number", "date"), facts)
    scores = [
        (dog, day, float(pvas), "owner", "PVAS")
        for _ in range(3)
        for dog, day, pvas in zip(dogs, days(n, 90), rng.uniform(0, 10, n).round(1), strict=True)
    ]
    _add(records, tables.pruritus_score, ("dog_id", "date", "pvas", "scorer", "scale"), scores)
    columns = ("dog_id", "therapy", "date", "until", "status", "reason", "responded")
    given: list[Values] = []
    for of in rng.choice(THERAPY_IDS[:4], 4).tolist():
        begun = days(n, 900)
        given += [
            (dog, of, day, day, "given", "itch", True) for dog, day in zip(dogs, begun, strict=True)
        ]
    _add(records, tables.therapy_event, columns, given)
    kinds = rng.choice(["itch flare", "recheck", "other"], (6, n))
    visits = [
        (f"V{row}-{dog}", day, "b", dog, kind)
        for row in range(6)
        for dog, day, kind in zip(dogs, days(n, 1500), kinds[row].tolist(), strict=True)
    ]
    _add(records, tables.visit, ("reference", "date", "branch_id", "dog_id", "kind"), visits)
    some = [dog for dog, drawn in zip(dogs, rng.random(n), strict=True) if drawn < 0.05]
    reacted = [(dog, "ciclosporin", "2024-05-01") for dog in some]
    _add(records, tables.adverse_reaction, ("dog_id", "therapy", "date"), reacted)
    _add(records, tables.vaccination, ("dog_id", "date"), [(dog, "2025-05-25") for dog in some])
    painkillers = [(dog, "nsaid", "2025-05-25") for dog in some]
    _add(records, tables.medicine, ("dog_id", "kind", "date"), painkillers)


def _add(records: Records, table: object, columns: tuple[str, ...], rows: list[Values]) -> None:
    for part in batches(rows, n_rows=_AT_ONCE):
        with records.writing() as connection:
            insert_rows(connection, table, columns, part)  # type: ignore[arg-type]


def judge(practice: Practice, records: Records) -> None:
    """Read every dog, judge each for every class, and say how long both took."""
    clock, own = time.perf_counter(), time.process_time()
    register = read_register(records, today=TODAY)
    _say(f"read {len(register.dogs):,} dogs", clock, own)
    clock, own = time.perf_counter(), time.process_time()
    rules = rules_of(practice)
    verdicts: Counter[str] = Counter()
    with undisturbed():
        for dog in register.dogs.values():
            each = readiness_for_each(dog, TODAY, rules=rules)
            verdicts.update(one.verdict for one in each.values())
    _say(f"judged {verdicts.total():,} times: {dict(verdicts)}", clock, own)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"peak memory {peak:,.0f} MB")


def _say(what: str, clock: float, own: float) -> None:
    took = f"{time.perf_counter() - clock:.1f} s ({time.process_time() - own:.1f} s of processor)"
    print(f"{what}: {took}", flush=True)


def main() -> None:
    """Make the dogs, unless they are kept from before, and judge them."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--dogs", type=int, default=50_000)
    parser.add_argument("--keep", type=Path, help="practice folder that is made once and kept")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        folder = asked.keep or Path(scratch) / "practice"
        if folder.exists():
            practice = open_practice(folder, now=NOW)
            records = open_records(practice)
        else:
            practice = create_practice(folder, template(), now=NOW)
            records = open_records(practice)
            fill(records, asked.dogs)
        judge(practice, records)
        records.close()


if __name__ == "__main__":
    main()
