"""Item strings of visits on record, by how many visits hold them."""

from __future__ import annotations

import pytest
from sqlalchemy import update

from forecast.practice import create_practice
from forecast.records import open_records, tables
from forecast.records.item_strings import imports_through, item_counts
from forecast.visits import import_branches, import_visits

LAYOUT = """
name = "{name}"
[columns]
visit = "Invoice"
date = "{day}"
item = "Product"
branch = "Site"
patient = "Pet"
"""
EXPORT = """Invoice,{day},Product,Site,Pet
1,2023-01-02,Consultation,main,P1
1,2023-01-02,Powder,main,P1
1,2023-01-02,Powder,main,P1
2,2023-01-03,Consultation,main,P2
3,2023-01-04,"Dürüm, ""rare"" 5",main,P3
"""


@pytest.fixture
def practice(tmp_path, small_settings, database):
    made = create_practice(tmp_path / "practice", small_settings + database)
    (tmp_path / "branches.csv").write_text("id,name,region,open_days\nmain,Main,north,mon\n")
    records = open_records(made)
    import_branches(made, records, tmp_path / "branches.csv")
    for name, day in (("old", "Seen"), ("new", "Day")):
        text = LAYOUT.format(name=name, day=day)
        (made.layouts_folder / f"{name}.toml").write_text(text)
    for name, day in (("a", "Seen"), ("b", "Day")):
        file = tmp_path / f"{name}.csv"
        file.write_text(EXPORT.format(day=day))
        import_visits(made, records, file)
    records.close()
    return made


def test_each_string_is_counted_once_a_visit_and_by_layout(practice):
    """Powder twice on one invoice is one visit; visits of the other system are apart."""
    records = open_records(practice)
    counted = {'Dürüm, "rare" 5': 1, "Consultation": 2, "Powder": 1}
    assert item_counts(records, "old") == counted
    assert list(item_counts(records, "old")) == ["Consultation", 'Dürüm, "rare" 5', "Powder"]
    assert item_counts(records, "none such") == {}
    records.close()


def test_imports_are_found_by_their_layout(practice):
    """Of those taken back nothing is counted; those held are found and not counted."""
    records = open_records(practice)
    (old,), (new,) = imports_through(records, "old"), imports_through(records, "new")
    assert old < new
    table = tables.imported_file
    for state, ids, n in (("held", [old], 0), ("undone", [], 0), ("live", [old], 3)):
        with records.writing() as connection:
            connection.execute(update(table).where(table.c.id == old).values(state=state))
        assert imports_through(records, "old") == ids
        assert len(item_counts(records, "old")) == n
    records.close()
