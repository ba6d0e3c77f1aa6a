"""How fast a practice's export is read into visits and brought into the records, with its memory.

    python tests/bench/bench_import.py [--lines 1000000] [--keep FILE]

Invented lines of an invoice a line, in the ways exports are written: decimal commas, days first,
entry stamps to the second, notes with commas and line breaks, some voided and taken-back lines,
other species, several dogs an invoice, a total below. The reading runs in a process of its own, so
that its peak memory is its own; with pyarrow, which the tests bring along, and without, as a
practice has it. Wanted: well under 40 s on one core and 1.2 GB.

Then the whole import, into an empty practice and, as the next year's file would come, into one that
holds as much already: visits judged, homes found, compared with the past. Meanwhile another process
writes a row every 100 ms and tells how long it waited for its turn. Wanted: less than 60 s on two
cores, 1.5 GB, and no wait above 50 ms.
"""

from __future__ import annotations

import argparse
import resource
import select
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from datetime import date, datetime, timedelta
from pathlib import Path

import numpy as np

HEADINGS = (
    "Invoice;Date;Entered;Site;Patient no;Vet;Item;Code;Qty;Price;Notes;State;Species;Postcode;"
    "Client no"
)
LAYOUT = """
[columns]
visit = "Invoice"
date = "Date"
entered = "Entered"
branch = "Site"
patient = "Patient no"
vet = "Vet"
item = "Item"
code = "Code"
quantity = "Qty"
amount = "Price"
note = "Notes"
status = "State"
species = "Species"
postcode = "Postcode"
client = "Client no"
[statuses]
"VOID" = "voided"
[items]
"Item no 3" = "skin consultation"
"""
BRANCHES = {f"site-{n}": f"Site {n}" for n in range(8)}
FIRST, N_DAYS, TODAY = datetime(2015, 1, 1), 3_650, date(2025, 6, 1)
N_PATIENTS, N_ITEMS, N_NOTES = 40_000, 500, 150_000


def main() -> None:
    """Make the file, read it with and without pyarrow, import it twice."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--lines", type=int, default=1_000_000)
    parser.add_argument("--keep", type=Path, help="where to keep the file that is read")
    parser.add_argument("--read", type=Path, help=argparse.SUPPRESS)
    parser.add_argument("--without-pyarrow", action="store_true", help=argparse.SUPPRESS)
    parser.add_argument("--land", type=Path, nargs=2, help=argparse.SUPPRESS)
    parser.add_argument("--write", type=Path, help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.land:
        land(*asked.land)
        return
    if asked.write:
        write_on(asked.write)
        return
    if asked.read:
        if asked.without_pyarrow:
            sys.modules["pyarrow"] = None  # type: ignore[assignment]
        read(asked.read)
        return
    with tempfile.TemporaryDirectory() as folder:
        path = asked.keep or Path(folder) / "lines.csv"
        with path.open("w", encoding="utf-8", newline="") as out:
            out.writelines(lines(asked.lines))
        print(f"{asked.lines:,} lines, {path.stat().st_size / 1e6:.0f} MB")
        for more in ([], ["--without-pyarrow"]):
            subprocess.run([sys.executable, __file__, "--read", str(path), *more], check=True)
        import_whole(Path(folder), path, asked.lines)


def import_whole(folder: Path, path: Path, n_lines: int) -> None:
    """Bring the file into a practice, then a second one of the same size, while another writes."""
    from forecast.practice import create_practice, open_practice, template
    from forecast.records import open_records
    from forecast.records.branches import keep_branches
    from forecast.regions import Branch

    text = template().replace('id = "seoul"', 'id = "seoul"\npostcodes = ["100", "101", "102"]')
    practice = create_practice(folder / "practice", text.replace('"grass"', '"grasses"'))
    (practice.layouts_folder / "bench.toml").write_text(LAYOUT)
    records = open_records(open_practice(practice.folder))
    with records.writing() as connection:
        keep_branches(connection, [Branch(i, n, "seoul", ("mon",)) for i, n in BRANCHES.items()])
    records.close()
    second = folder / "second.csv"
    with second.open("w", encoding="utf-8", newline="") as out:
        out.writelines(lines(n_lines, first=n_lines, seed=2))
    for file in (path, second):
        other = subprocess.Popen(
            [sys.executable, __file__, "--write", str(practice.folder)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        assert other.stdout is not None
        other.stdout.readline()
        command = [sys.executable, __file__, "--land", str(practice.folder), str(file)]
        subprocess.run(command, check=True)
        print("  " + other.communicate("enough\n")[0].strip(), flush=True)


def land(folder: Path, path: Path) -> None:
    """Import the file and print seconds and peak memory."""
    from forecast.practice import open_practice
    from forecast.records import open_records
    from forecast.visits import import_visits

    practice = open_practice(folder)
    records = open_records(practice)
    wall, core = time.perf_counter(), time.process_time()
    done = import_visits(practice, records, path)
    wall, core = time.perf_counter() - wall, time.process_time() - core
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(
        f"whole import: {done.n_read:,} rows to {done.n_kept:,} visits in {wall:.1f} s ({core:.1f} "
        f"s of one core), peak {peak:.0f} MB; records {size_of(practice.folder) / 1e6:.0f} MB"
        f"{', held: ' + '; '.join(done.held_because) if done.held_because else ''}",
        flush=True,
    )


def size_of(folder: Path) -> int:
    """Return the bytes of the records' files."""
    return sum(path.stat().st_size for path in folder.glob("records.sqlite*"))


def write_on(folder: Path) -> None:
    """Write a row every 100 ms until told that it is enough; print how long it waited."""
    from sqlalchemy import text

    from forecast.practice import open_practice
    from forecast.records import open_records

    records = open_records(open_practice(folder))
    change = text("UPDATE branch SET name = 'Site 0' WHERE id = 'site-0'")
    waits, whole = [], []
    print("ready", flush=True)
    while not select.select([sys.stdin], [], [], 0)[0]:
        began = time.perf_counter()
        with records.writing() as connection:
            waits.append(time.perf_counter() - began)
            connection.execute(change)
        whole.append(time.perf_counter() - began)
        time.sleep(0.1)
    ms = 1e3 * np.array(waits)
    print(
        f"another writer, {len(ms)} rows: waited {np.median(ms):.1f} ms (median), "
        f"{np.quantile(ms, 0.99):.1f} ms (99 of 100), {ms.max():.1f} ms at most; with its own "
        f"writing {1e3 * np.max(whole):.1f} ms at most"
    )


def lines(n_lines: int, *, first: int = 0, seed: int = 1) -> Iterator[str]:
    """Yield the lines of the file; invoices are numbered from `first` on."""
    rng = np.random.default_rng(seed)
    yield HEADINGS + "\r\n"
    written, invoice = 0, first
    while written < n_lines:
        invoice += 1
        day = FIRST + timedelta(days=int(invoice * 2.8 / n_lines * N_DAYS) % N_DAYS)
        site, vet = rng.integers(8), rng.integers(12)
        for patient in rng.integers(N_PATIENTS, size=1 + (rng.random() < 0.05)):
            stamp = day + timedelta(seconds=int(rng.integers(8 * 3600, 18 * 3600)))
            head = f"R{invoice};{day:%d.%m.%Y};"
            species = "Cat" if patient % 4 == 0 else "Dog"
            tail = f"{species};{10_000 + patient % 900};K{patient // 2}\r\n"
            for number in range(rng.integers(1, 5)):
                stamp += timedelta(seconds=20)
                item = rng.integers(N_ITEMS)
                price = f"{rng.integers(100, 9_000) / 100:.2f}".replace(".", ",")
                note = notes(rng.integers(N_NOTES)) if number == 0 else ""
                state = "VOID" if rng.random() < 0.01 else ""
                quantity = "-1,00" if rng.random() < 0.01 else "1,00"
                yield (
                    f"{head}{stamp:%d.%m.%Y %H:%M:%S};Site {site};P{patient};vet {vet};"
                    f"Item no {item};C{item};{quantity};{price};{note};{state};{tail}"
                )
                written += 1
                if written == n_lines:
                    break
            if written == n_lines:
                break
    yield f"Total;;;;;;;;;{n_lines};;;;;\r\n"


def notes(number: int) -> str:
    """Return an invented note; one in fifty is written over two lines."""
    text = f"Owner tells of visit {number}: scratching at night, ears red, no fleas, eats well"
    return f'"{text}\nsee again in {number % 7} weeks"' if number % 50 == 0 else text


def read(path: Path) -> None:
    """Read the file and print seconds and peak memory."""
    from forecast.visits.exports.export import read_export
    from forecast.visits.exports.layout import parse_layout

    layout = parse_layout(LAYOUT, "layouts/bench.toml")
    content = path.read_bytes()
    wall, core = time.perf_counter(), time.process_time()
    found = read_export(content, path.name, layouts=[layout], branches=BRANCHES, today=TODAY)
    wall, core = time.perf_counter() - wall, time.process_time() - core
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    how = "without pyarrow" if sys.modules.get("pyarrow", True) is None else "with pyarrow"
    print(
        f"{how}: {found.n_read:,} rows to {len(found.visits):,} visits in {wall:.1f} s "
        f"({core:.1f} s of one core), peak {peak:.0f} MB; {found.n_left_out} rows left out"
    )
    print("  " + ", ".join(f"{n:,} {reason}" for reason, n in found.tally.items() if n))


if __name__ == "__main__":
    main()
