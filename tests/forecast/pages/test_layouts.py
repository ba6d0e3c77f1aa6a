"""Layouts edited on a page: checked, the earlier kept, nobody's change written over."""

from __future__ import annotations

import re
from html import unescape

import pytest
from sqlalchemy import update

from forecast.accounts.roles import Role
from forecast.records import tables
from forecast.records.requests import requests
from forecast.visits import import_visits
from forecast.visits.exports.layout import parse_layout
from forecast.visits.exports.layout_text import layout_text

TEXT = layout_text(
    parse_layout(
        """
        name = "old"
        [columns]
        visit = "Invoice"
        date = "Seen"
        item = "Product"
        branch = "Site"
        patient = "Pet"
        [branches]
        "N" = "at-north"
        [merged]
        "P9" = "P1"
        [items]
        "Food bag" = "food"
        """,
        "layouts/old.toml",
    ),
    perhaps_merged={"P5": "P4"},
)
EXPORT = (
    "Invoice,Seen,Product,Site,Pet\n"
    "1,2023-01-02,Consultation,N,P1\n"
    "1,2023-01-02,Powder,N,P1\n"
    "2,2023-01-03,Powder,N,P2\n"
    "3,2023-01-04,FOOD BAG,N,P2\n"
    "3,2023-01-04,Consultation,N,P2\n"
)


@pytest.fixture
def folder(opened, tmp_path):
    """Give the layouts, one of them; three visits were imported through it."""
    held = opened.practice().layouts_folder
    (held / "old.toml").write_text(TEXT)
    file = tmp_path / "export.csv"
    file.write_text(EXPORT)
    import_visits(opened.practice(), opened.records, file)
    return held


@pytest.fixture
def manager(browser, make_account, sit):
    return browser(sit(make_account("mo", Role.MANAGER)))


def fields(answer) -> dict[str, str]:
    """Return the hidden fields and words of a form."""
    found = re.findall(r'<input type="hidden" name="([^"]*)" value="([^"]*)"', answer.text)
    return {name: unescape(value) for name, value in found}


def test_item_strings_come_by_frequency_those_without_a_class_first(folder, manager):
    """Powder and Consultation stand on two visits each, the food on one; it alone has a class."""
    page = manager.get("/layouts/old")
    words = fields(page)
    assert [words[f"item_word.{n}"] for n in range(3)] == ["Consultation", "Powder", "FOOD BAG"]
    assert "old: 2 of 3 item strings have no class, 80 % of those counted" in page.text


def test_what_is_saved_is_checked_and_what_stood_there_kept(folder, manager):
    """Lists that the form does not show stay; spelling of an item is no matter."""
    form = fields(manager.get("/layouts/old"))
    form |= {"item.0": "consultation", "item.1": "", "item.2": "shop sale"}
    form |= {"column.note": "Remarks", "branch.0": "at-south"}
    form |= {"branch_word.1": "S", "branch.1": "at-south"}
    saved = manager.post("/layouts/old", data=form)
    assert (saved.status_code, saved.headers["location"]) == (303, "/layouts/old?page=1")
    now = parse_layout((folder / "old.toml").read_text(), "layouts/old.toml")
    assert now.items == {"Consultation": "consultation", "FOOD BAG": "shop sale"}
    assert now.branches == {"N": "at-south", "S": "at-south"}
    assert now.columns == {
        "visit": "Invoice",
        "date": "Seen",
        "branch": "Site",
        "patient": "Pet",
        "item": "Product",
        "note": "Remarks",
    }
    assert now.merged == {"P9": "P1"}
    assert '# "P5" = "P4"  # same owner and name' in now.text
    assert '# "Powder" = ""  # 2 lines' in now.text
    (earlier,) = (folder / "earlier").iterdir()
    assert earlier.read_text() == TEXT


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"column.vet": "Seen"}, "are both"),
        ({"top.day_order": "sideways"}, "which is not known"),
        ({"item.0": "no such class"}, "which is not known"),
        ({"top.time_zone": "Europe/Nowhere"}, "which is none"),
        ({"seen": "0" * 64}, "was changed by somebody else"),
    ],
)
def test_what_is_no_layout_is_refused_and_nothing_written(changes, words, folder, manager):
    """In a sentence that names the place."""
    answer = manager.post("/layouts/old", data=fields(manager.get("/layouts/old")) | changes)
    assert answer.status_code == 400
    assert words in answer.text
    assert (folder / "old.toml").read_text() == TEXT
    assert not (folder / "earlier").exists()


def test_the_text_is_edited_too_and_what_was_typed_is_not_lost(folder, manager):
    """A slip comes back with its line; what a browser does to ends of lines is undone."""
    form = fields(manager.get("/layouts/old/text"))
    wrong = TEXT.replace('rows = "lines"', 'rows = "sideways"')
    answer = manager.post("/layouts/old/text", data=form | {"text": wrong})
    assert answer.status_code == 422
    assert "layouts/old.toml line" in answer.text
    assert "sideways" in answer.text
    right = TEXT.replace('language = "en"', 'language = "de"')
    sent = right.replace("\n", "\r\n")
    assert manager.post("/layouts/old/text", data=form | {"text": sent}).status_code == 303
    assert (folder / "old.toml").read_text() == right


def test_its_imports_can_be_read_again(folder, manager, opened):
    """A request for each that counts or is held."""
    assert manager.post("/layouts/old/again").status_code == 303
    (made,) = requests(opened.records)
    assert (made.kind, made.arguments) == ("import again", {"import": 1})
    with opened.records.writing() as connection:
        connection.execute(update(tables.imported_file).values(state="undone"))
    assert manager.post("/layouts/old/again").status_code == 400


@pytest.mark.parametrize("name", ["new", "..%2Fpractice", "old.toml", "earlier"])
def test_there_is_no_other_layout(name, folder, manager):
    """No path is made of an address."""
    assert manager.get(f"/layouts/{name}").status_code == 404
    assert manager.post(f"/layouts/{name}", data={"seen": ""}).status_code == 404


def test_who_is_limited_to_branches_changes_none(folder, browser, make_account, sit):
    """It says how visits of all branches are read."""
    limited = browser(sit(make_account("lou", Role.MANAGER, branches=["at-north"])))
    page = limited.get("/layouts/old")
    assert "Save the layout" not in page.text
    answer = limited.post("/layouts/old", data=fields(page))
    assert answer.status_code == 400
    assert "limited to branches cannot change it" in answer.text


def test_a_layout_that_cannot_be_used_is_listed_with_its_fault(folder, manager):
    """And leads to its text."""
    (folder / "broken.toml").write_text("name = [")
    page = manager.get("/layouts")
    assert "cannot be used" in page.text
    assert 'href="/layouts/broken/text"' in page.text
    assert manager.get("/layouts/broken/text").status_code == 200
    assert manager.get("/layouts/broken").status_code == 400
