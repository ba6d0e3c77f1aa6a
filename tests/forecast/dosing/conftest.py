"""A practice of two regions with a few dogs on record, as of 29 June 2022."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

import numpy as np
import pytest
import xarray as xr

from forecast.cut import DataCut
from forecast.dosing.therapies import THERAPY_IDS
from forecast.dosing.work_up import CALLS_FOR_DIET, FINDINGS, WORK_UP
from forecast.issuing import Issue
from forecast.practice import Practice, open_practice
from forecast.records import Records, open_records
from forecast.records.dogs import dog_ids
from forecast.visits import (
    import_branches,
    import_dogs,
    import_facts,
    import_medicines,
    import_reactions,
    import_scores,
    import_tests,
    import_therapies,
    import_vaccinations,
    import_visits,
)

TODAY = date(2022, 6, 29)  # a Wednesday
BRANCHES = "id,name,region,open_days\nn1,North One,north,tue thu\ns1,South,south,mon\n"
DOGS = """dog,name,owner,owner_contact,species,birth_date,sex,status,region,branch
D1,Rex,Ada Quillfeather,ada@forepaw.invalid,dog,2018-02-03,male neutered,active,north,n1
D2,Mo,Ada Quillfeather,,dog,2018-02-03,female neutered,active,,n1
D3,Pip,Bo Puddlewright,,dog,2018-02-03,male neutered,dead,north,n1
D4,Zip,,,dog,,,active,,
D5,Tom,,,cat,,,active,north,n1
D6,Ash,,,dog,,,left,north,n1
D7,Sue,,,dog,,,active,south,s1
"""


@dataclass
class Desk:
    """The records of a practice, with a way to bring a file in as text."""

    practice: Practice
    records: Records
    bring: Callable[[str, str], object]

    @property
    def ids(self) -> dict[str, str]:
        """The id of each dog by its number."""
        return dog_ids(self.records)

    def see(self, *rows: tuple[str, str, str]) -> None:
        """Bring in visits of dogs, days and kinds, all at North One."""
        lines = [f"V{n},{day},n1,{dog},{kind}\n" for n, (dog, day, kind) in enumerate(rows)]
        self.bring("visits", "visit,date,branch,dog,kind\n" + "".join(lines))

    def work_up(self, dog: str, day: str = "2022-06-20") -> None:
        """Bring in facts that answer every question about a dog as a plan wants it."""
        wanted = {name: kind.wanted for name, kind in (WORK_UP | FINDINGS).items()}
        wanted |= dict.fromkeys(("food_trial", "food_allergy_ruled_out", "therapy_history"), True)
        wanted |= dict.fromkeys(CALLS_FOR_DIET, False)
        rows = [f"{dog},{name},{'yes' if yes else 'no'},{day}\n" for name, yes in wanted.items()]
        facts = f"dog,kind,value,date\n{dog},weight_kg,14.2,{day}\n" + "".join(rows)
        self.bring("facts", facts)
        self.bring("scores", f"dog,date,pvas\n{dog},{day},1.4\n")


@pytest.fixture
def practice(small: Practice, database: str) -> Practice:
    """Give the small practice with its records in SQLite, and in PostgreSQL."""
    small.settings_file.write_text(small.settings_text + database, encoding="utf-8")
    return open_practice(small.folder, now=small.now)


@pytest.fixture
def desk(practice: Practice, database: str, tmp_path, made_once) -> Iterator[Desk]:
    def fill() -> None:
        opened = open_records(practice)
        for kind, text, importer in (
            ("branches", BRANCHES, import_branches),
            ("dogs", DOGS, import_dogs),
        ):
            path = tmp_path / f"{kind}.csv"
            path.write_text(text, encoding="utf-8")
            importer(practice, opened, path)
        opened.close()

    if database:  # on a server there is no file to copy
        fill()
    else:
        made_once("desk", fill, paths=(practice.records_file, practice.archive_folder))
    records = open_records(practice)
    importers: dict[str, Any] = {
        "branches": import_branches,
        "dogs": import_dogs,
        "visits": import_visits,
        "facts": import_facts,
        "scores": import_scores,
        "reactions": import_reactions,
        "vaccinations": import_vaccinations,
        "medicines": import_medicines,
        "tests": import_tests,
    }

    def bring(kind: str, text: str) -> object:
        path = tmp_path / f"{kind}.csv"
        path.write_text(text, encoding="utf-8")
        if kind == "therapies":
            return import_therapies(practice, records, path, therapies=THERAPY_IDS)
        return importers[kind](practice, records, path)

    made = Desk(practice, records, bring)
    yield made
    records.close()


@pytest.fixture
def issue_of(make_issued: Callable[..., xr.Dataset], small: Practice) -> Callable[..., Issue]:
    """Give a function that makes an issue of region north from pressures laid out by hand."""

    def make(pressure: np.ndarray, **changes: Any) -> Issue:
        forecast = make_issued(pressure, first="2022-06-27", **changes)
        cut = DataCut(TODAY, "snapshot", None, "version 1", "issued")
        file = small.issued_folder / "none.nc"
        return Issue(
            "issue-1", small.now, cut, cut, "model", "settings", 1, (), file, "hash", forecast
        )

    return make


@pytest.fixture
def issue_without_visits(issue_of, without_visits) -> Issue:
    return replace(issue_of(np.zeros((20, 52))), forecast=without_visits)
