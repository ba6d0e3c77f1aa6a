"""The invented practice as two real front desks would export it: invoice lines, notes, and dirt.

`write_raw_exports` turns the invented visits into files that a practice's systems might write, with
everything that goes wrong in such files planted and counted, and keeps what is true beside them. It
shares no word with what reads them: neither a case definition's word lists nor a reader's rules.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from datetime import date
from importlib.resources import files as packaged
from pathlib import Path

import numpy as np
import pandas as pd

from jobs.demo.diary import KINDS, OTHER
from jobs.demo.invention import InventedPractice
from jobs.demo.raw_export.billing import bill
from jobs.demo.raw_export.counting import CLOSURES, planted
from jobs.demo.raw_export.dirt import plant
from jobs.demo.raw_export.encounters import NEW, OLD, see_all
from jobs.demo.raw_export.lines import written_lines
from jobs.demo.raw_export.notes import notes
from jobs.demo.raw_export.patients import postcode_areas
from jobs.demo.raw_export.systems import write_files
from jobs.demo.raw_export.tables import day, items
from jobs.demo.raw_export.truth import closure_table, merge_list, true_visits

EXPORTS, LAYOUTS, TRUTH = "exports", "layouts", "truth"
# What a person of the practice answers when asked about the items of the care plan.
CARE_PLAN_CLASSES = {
    "plan_step_1": "skin consultation",
    "plan_step_2": "skin consultation",
    "plan_step_3": "skin consultation",
    "plan_review": "recheck",
    "plan_dose": "scheduled injection",
    "plan_tablets": "daily oral Janus-kinase inhibitor",
    "plan_injection": "long-acting anti-IL-31 antibody injection",
    "plan_capsules": "ciclosporin",
    "plan_course": "systemic glucocorticoid",
}


@dataclass(frozen=True)
class Recoding:
    """The change of coding: from which day, in which file first, and what would explain it.

    `items` are the new item strings and their classes: the lines that a person adds to the layout
    when asked. `first_file` is None where the as-of date lies before the change.
    """

    first_day: date
    first_file: Path | None
    items: dict[str, str]


@dataclass(frozen=True)
class RawExports:
    """What the practice's systems wrote, and the truth about it.

    Attributes
    ----------
    files
        The exports, in the order in which they would be imported.
    layouts
        What their columns and words mean, one a system, with the numbers of merged patients.
    closures
        Closed and full days, in the format of `forepaw import closures`.
    merges
        Numbers given up for others: given_up, stays, why.
    postcodes
        For each region how its postcodes begin.
    recoding
        The change of coding that an import must be held for.
    truth
        A row a visit, see `true_visits`. For verification only.
    planted
        Each kind of dirt with its count, see `planted`. For verification only.
    """

    files: list[Path]
    layouts: list[Path]
    closures: Path
    merges: pd.DataFrame
    postcodes: dict[str, tuple[str, ...]]
    recoding: Recoding
    truth: pd.DataFrame
    planted: pd.DataFrame


def write_raw_exports(invented: InventedPractice, folder: Path) -> RawExports:
    """Write the exports, layouts and truth of an invented practice into a folder.

    Below the folder are made `exports` (the files and the list of closures), `layouts`, and
    `truth`, which holds what a reader of the exports must not read. The same practice gives the
    same bytes. Nothing dated or entered after its as-of date is in the exports.
    """
    seen = see_all(invented)
    said = notes(seen, seed=invented.seed)
    lines = written_lines(invented, seen, bill(seen, seed=invented.seed))
    last = np.datetime64(invented.as_of, "s") + np.timedelta64(24 * 60 * 60 - 1, "s")
    lines = plant(lines, seen, seed=invented.seed, last=last)
    exports = folder / EXPORTS
    written, names = write_files(lines, seen, said, invented=invented, folder=exports)
    merged = merge_list(lines, seen)
    truth = true_visits(lines, names, seen, invented, merged)
    closures = closure_table(truth, invented)
    closures.to_csv(exports / CLOSURES, index=False, date_format="%Y-%m-%d")
    layouts = _write_layouts(folder / LAYOUTS, merged, {path.name for path in written})
    counted = planted(
        lines,
        names,
        truth=truth,
        seen=seen,
        notes=said,
        closures=closures,
        mapped={system: tomllib.loads(_layout(system))["items"] for system in (OLD, NEW)},
    )
    _write_truth(folder / TRUTH, truth, counted)
    return RawExports(
        files=written,
        layouts=layouts,
        closures=exports / CLOSURES,
        merges=merged,
        postcodes=postcode_areas(invented),
        recoding=_recoding(lines, names, exports),
        truth=truth,
        planted=counted,
    )


def _layout(system: str) -> str:
    path = packaged("jobs.demo.raw_export").joinpath("layouts", f"{system}_system.toml")
    return path.read_text(encoding="utf-8")


def _write_layouts(folder: Path, merged: pd.DataFrame, names: set[str]) -> list[Path]:
    """Write a layout for each system that exported anything; only old numbers were given up."""
    folder.mkdir(parents=True, exist_ok=True)
    pairs = zip(merged["given_up"], merged["stays"], strict=True)
    given_up = "".join(f'"{old}" = "{new}"\n' for old, new in pairs)
    written = []
    for system in (OLD, NEW):
        if any(name.startswith(system) for name in names):
            path = folder / f"{system}_system.toml"
            text = _layout(system) + (given_up if system == OLD else "")
            path.write_text(text, encoding="utf-8")
            written.append(path)
    return written


def _write_truth(folder: Path, truth: pd.DataFrame, counted: pd.DataFrame) -> None:
    """Write what is true of visits for itch, and of those that no reader can find."""
    folder.mkdir(parents=True, exist_ok=True)
    told = (truth["kind"] != KINDS[OTHER]) | (truth["cause"] != "") | (truth["lost"] != "")
    truth[told].to_csv(folder / "visits.csv", index=False, date_format="%Y-%m-%d")
    counted.to_csv(folder / "planted.csv", index=False)


def _recoding(lines: pd.DataFrame, names: pd.Series, exports: Path) -> Recoding:
    changed = names[lines["key"].str.startswith("plan_")]
    sold = items()
    return Recoding(
        first_day=day("care_plan").astype(date),
        first_file=exports / changed.iloc[0] if len(changed) else None,
        items={sold[key].old: meant for key, meant in CARE_PLAN_CLASSES.items()},
    )
