"""A file brought by a page: checked, looked at, taken in by the clock, its findings shown."""

from __future__ import annotations

import io
import json
import re
import zipfile
from html import unescape

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from forecast.accounts.roles import Role
from forecast.pages import uploads as pages_of_uploads
from forecast.records.imports import imported_files
from forecast.records.requests import requests
from forecast.uploads import uploads
from jobs.clock import tick
from jobs.logs import logs

# Rows of our own format: two good ones, one of a branch that there is not, one without a day.
CLASSIFIED = (
    "visit,date,branch,dog,kind\n"
    "V1,2023-01-02,at-north,D1,itch flare\n"
    "V2,2023-01-03,at-south,D2,other\n"
    "V3,2023-01-04,Quillfeather Lane,D3,other\n"
    "V4,someday,at-north,D4,other\n"
)
# An export: lines of invoices, of one system.
EXPORT = (
    "visit_id,seen,location,animal_id,product,clinical_note\n"
    "1,2023-01-02,north,P1,Consultation,Itchy paws. Mrs Quillfeather worries.\n"
    "2,2023-01-03,north,P2,Consultation,Well.\n"
    "3,2023-01-04,Old Mill,P3,Mystery powder,Well.\n"
    "4,2023-01-05,Old Mill,P4,Mystery powder,Well.\n"
)


@pytest.fixture
def people(make_account, sit):
    """Give a token of each role."""
    make_account("ida", Role.ADMINISTRATOR)
    return {role: sit(make_account(f"a {role.value}".replace(" ", ""), role)) for role in Role}


@pytest.fixture
def manager(browser, people):
    return browser(people[Role.MANAGER])


def bring(client, content: bytes | str, *, name: str = "visits.csv", kind: str = "visits"):
    data = content.encode() if isinstance(content, str) else content
    return client.post("/uploads", data={"kind": kind}, files={"file": (name, data)})


def told(answer) -> str:
    """Return what a page says of a refusal."""
    found = re.search(r'class="wrong"[^>]*>(.*?)</p>', answer.text, re.DOTALL)
    assert found, answer.text
    return unescape(found[1])


def seen(answer) -> str:
    """Return what a page says, its tags and blanks aside."""
    return " ".join(unescape(re.sub(r"<[^>]*>", " ", answer.text)).split())


def test_from_the_file_to_its_findings(manager, browser, people, opened, moment):
    """Brought, looked at, asked for, claimed by the clock; then the import and what was found."""
    brought = bring(manager, CLASSIFIED, name="../../C:\\x\\visits of Ada.csv")
    assert brought.status_code == 303
    look = manager.get(brought.headers["location"])
    assert "visits of Ada.csv is classified already and can be taken in" in seen(look)
    asked = manager.post(brought.headers["location"].replace("look", "take-in"))
    assert asked.status_code == 303
    waiting = manager.get("/requests")
    assert 'data-going="yes"' in waiting.text
    assert "waits for the clock" in waiting.text
    (ran,) = tick(opened.practice().folder, moment.now, jobs=())
    assert (ran.job, ran.state) == ("import visits", "done")
    done = manager.get("/requests")
    assert 'data-going="no"' in done.text
    assert "visits of Ada.csv: 2 visits of 4 rows imported; 2 rows left out" in seen(done)
    (made,) = imported_files(opened.records)
    assert f'href="/imports/{made.id}"' in done.text
    assert uploads(opened.practice()) == []
    shown = manager.get(f"/imports/{made.id}")
    assert "Import 1, 2 rows of visits, counts; 2 rows were left out." in seen(shown)
    rows = re.findall(r'<td class="number">(\d+)</td><td>(\w+)</td>', shown.text)
    assert ("4", "branch") in rows
    assert ("5", "date") in rows
    assert json.loads(manager.get("/imports/1.json").text)["n_findings"] == 2


def test_what_was_found_is_shown_to_who_may_see_contacts_alone(
    manager, browser, people, opened, moment
):
    """The manager sees row, column and what to do; a vet the value too, and that is written."""
    look = bring(manager, CLASSIFIED).headers["location"]
    manager.post(look.replace("look", "take-in"))
    tick(opened.practice().folder, moment.now, jobs=())
    for client, sees in ((manager, False), (browser(people[Role.VET]), True)):
        for address in ("/imports/1", "/imports/1.json", "/imports/1.csv"):
            answer = client.get(address)
            assert answer.status_code == 200
            assert ("Quillfeather" in answer.text) is sees, address
    assert browser(people[Role.NURSE]).get("/imports/1").status_code == 403
    with opened.records.reading() as connection:
        noted = connection.exec_driver_sql(
            "SELECT subject FROM audit_entry WHERE action = 'contact of an owner read'"
        ).all()
    assert [row[0] for row in noted] == ["findings of import 1"] * 3


def test_no_name_of_a_file_and_no_value_is_logged(manager, opened, moment):
    """Of a file that is taken and one that is refused; the ledger holds none either."""
    said = io.StringIO()
    with logs(level="debug", stream=said, as_json=True):
        for content in (CLASSIFIED, "visit,date,branch,dog,kind\nV9,x,Quillfeather,D,other\n"):
            moment.pass_by(minutes=1)
            look = bring(manager, content, name="Quillfeather.csv").headers["location"]
            manager.get(look)
            manager.post(look.replace("look", "take-in"))
            tick(opened.practice().folder, moment.now, jobs=())
        bring(manager, b"%PDF", name="Quillfeather.pdf")
    assert '"state": "failed"' in said.getvalue()
    assert "Quillfeather" not in said.getvalue()
    results = [one.result for one in requests(opened.records)]
    assert results == ["2 findings", "stopped by SheetError; failures/import_visits.txt in the "
                       "practice folder says why"]  # fmt: skip
    assert "Quillfeather" in seen(manager.get("/requests")), "whoever brought it is told in full"


def test_what_fails_waits_on_and_can_be_thrown_away(manager, opened, moment):
    """A refused import leaves the file where it was, to be read otherwise."""
    look = bring(manager, "visit,date,branch,dog,kind\nV9,x,y,D,other\n").headers["location"]
    manager.post(look.replace("look", "take-in"))
    (ran,) = tick(opened.practice().folder, moment.now, jobs=())
    assert ran.state == "failed"
    assert len(uploads(opened.practice())) == 1
    assert manager.post(look.replace("look", "throw-away")).status_code == 303
    assert uploads(opened.practice()) == []
    assert manager.get(look).status_code == 404
    assert manager.post(look.replace("look", "take-in")).status_code == 404


def test_a_file_that_is_taken_in_already_is_not_asked_for_twice(manager, opened):
    """Two presses are one request; it cannot be thrown away meanwhile."""
    look = bring(manager, CLASSIFIED).headers["location"]
    for _ in range(2):
        assert manager.post(look.replace("look", "take-in")).status_code == 303
    assert len(requests(opened.records)) == 1
    assert manager.post(look.replace("look", "throw-away")).status_code == 400
    assert len(uploads(opened.practice())) == 1


# ------------------------------------------------------------------------------ mapping
def form_of(answer) -> dict[str, str]:
    """Return what a browser would send of the layout's form as it stands."""
    html = answer.text[answer.text.index('<form method="post" action="/') :]
    html = html[html.index('class="layout"') :].partition("</form>")[0]
    fields = dict.fromkeys(re.findall(r'<select[^>]* name="([^"]*)"', html), "")
    for name, rest in re.findall(r'<input[^>]*? name="([^"]*)"([^>]*)>', html):
        value = re.search(r'value="([^"]*)"', rest)
        fields[name] = unescape(value[1]) if value else ""
    for name, options in re.findall(r'<select[^>]* name="([^"]*)">(.*?)</select>', html, re.DOTALL):
        chosen = re.search(r'<option(?: value="([^"]*)")?[^>]* selected>([^<]*)', options)
        if chosen:
            fields[name] = unescape(chosen[1] if chosen[1] is not None else chosen[2])
    return fields


def test_a_layout_is_proposed_answered_kept_and_the_file_taken_in_through_it(
    manager, opened, moment
):
    """The questions are in the form; items without a class come first, the most frequent first."""
    look = bring(manager, EXPORT, name="system.csv").headers["location"]
    page = manager.get(look)
    assert "system.csv asks" in seen(page)
    assert "what the branch 'Old Mill' means is not answered" in seen(page)
    assert "Take it in" not in page.text
    assert "Quillfeather" not in page.text, "notes are not shown"
    form = form_of(page)
    assert form["column.date"] == "seen"
    words = {form[f"branch_word.{n}"]: f"branch.{n}" for n in range(2)}
    assert form["item_word.0"] == "Mystery powder"
    assert form["item.0"] == ""
    answers = form | {words["Old Mill"]: "at-south", words["north"]: "at-north"}
    answers |= {"item.0": "food", "top.day_order": "year month day"}
    kept = manager.post(look.replace("look", "layout"), data=answers)
    assert kept.status_code == 303, kept.text
    text = (opened.practice().layouts_folder / "system.toml").read_text()
    assert '"Old Mill" = "at-south"' in text
    assert '"Mystery powder" = "food"' in text
    page = manager.get(look)
    assert "system.csv can be taken in through layouts/system.toml" in seen(page)
    assert "2 visits of 2 dogs" in seen(page), "food alone is no visit"
    manager.post(look.replace("look", "take-in"))
    (ran,) = tick(opened.practice().folder, moment.now, jobs=())
    assert ran.state == "done", manager.get("/requests").text


def test_a_proposal_that_is_no_longer_the_proposal_is_not_kept(manager, opened):
    """The form tells which text it was made from."""
    look = bring(manager, EXPORT, name="system.csv").headers["location"]
    form = form_of(manager.get(look)) | {"seen": "0" * 64}
    assert manager.post(look.replace("look", "layout"), data=form).status_code == 400
    assert list(opened.practice().layouts_folder.glob("*.toml")) == []


# ------------------------------------------------------------------------------ nasty ones
def zipped(**members: bytes) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as made:
        for name, content in members.items():
            made.writestr(name, content)
    return out.getvalue()


NASTY = {
    "empty": (b"", "is empty"),
    "blank": (b" \n ", "is empty"),
    "html": (b"<!doctype html><script>alert(1)</script>", "is a web page"),
    "pdf": (b"%PDF-1.4", "is a PDF"),
    "program": (b"MZ\x90", "is a program"),
    "archive": (zipped(a=b"1"), "archive of files"),
    "encoding": (b"a,b\n\x81\x8d,\xe9\n", "is neither UTF-8"),
    "bomb": (
        zipped(**{"[Content_Types].xml": b"x", "xl/workbook.xml": b"0" * 30_000_000}),
        "unpacks to over",
    ),
    "nested": (
        zipped(**{"[Content_Types].xml": b"x", "xl/workbook.xml": b"x", "b.zip": zipped(c=b"1")}),
        "holds another file in it",
    ),
    "netcdf": (b"CDF\x01", "is a NetCDF file"),
}


@pytest.mark.parametrize("which", NASTY)
def test_what_is_no_table_is_refused_on_the_page_and_nothing_kept(which, manager, opened):
    """In a sentence, beside the form."""
    content, words = NASTY[which]
    answer = bring(manager, content, name="<img src=x>.csv")
    assert answer.status_code == 422
    assert words in told(answer)
    assert "<img src=x" not in answer.text
    assert list((opened.practice().archive_folder / "uploads").iterdir()) == []


def test_more_than_is_taken_is_refused_before_it_is_read(manager, monkeypatch, opened):
    """By its length as it is told, and by what comes."""
    page = next(page for page in pages_of_uploads.PAGES if page.name == "bring")
    told_length = {"content-length": str(page.max_bytes + 1)}
    answer = manager.post("/uploads", content=b"x", headers=told_length | {
        "content-type": "multipart/form-data; boundary=b"})  # fmt: skip
    assert answer.status_code == 413
    assert "larger than the" in seen(answer)
    monkeypatch.setattr("forecast.uploads.most_bytes", lambda: 1000)
    answer = bring(manager, CLASSIFIED * 20)
    assert answer.status_code == 422
    assert "is larger than" in told(answer)
    assert uploads(opened.practice()) == []


# the parser of forms leaves a file whose end never came to the collector, which closes it
@pytest.mark.filterwarnings("ignore:Unclosed file:ResourceWarning")
@pytest.mark.parametrize(
    "body",
    [
        b'--b\r\nContent-Disposition: form-data; name="file"; filename="x.csv"\r\n\r\nvisit,da',
        b'--b\r\nContent-Disposition: form-data; name="file"',
        b"--c--",
        b"",
        b"\x00\xff" * 50,
        b"--b\r\n\r\n\r\n--b--\r\n",
    ],
)
def test_a_form_that_is_not_whole_is_refused(body, manager, opened):
    """Whatever is left of it; nothing is kept."""
    headers = {"content-type": "multipart/form-data; boundary=b"}
    answer = manager.post("/uploads", content=body, headers=headers)
    assert answer.status_code in (400, 422)
    assert "traceback" not in answer.text.lower()
    assert uploads(opened.practice()) == []


def test_no_file_and_no_kind_are_told(manager):
    """And a field in place of a file."""
    assert "no file was chosen" in told(manager.post("/uploads", data={"kind": "visits"})).lower()
    field = manager.post("/uploads", data={"kind": "visits", "file": "visit,date"})
    assert "no file was chosen" in told(field).lower()
    assert "may hold visits" in told(bring(manager, CLASSIFIED, kind="secrets"))


def test_a_formula_is_shown_as_text_and_never_run(manager):
    """On the page escaped, in CSV with a mark before it."""
    export = EXPORT.replace("Mystery powder", "=HYPERLINK(1)").replace("Old Mill", "<b>x</b>")
    look = bring(manager, export, name="system.csv").headers["location"]
    page = manager.get(look)
    assert "<b>x</b>" not in page.text
    items = manager.get(f"{look}.csv?table=items").text
    assert "'=HYPERLINK(1)" in items


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    content=st.binary(max_size=400) | st.text(max_size=400).map(str.encode),
    name=st.text(min_size=1, max_size=60),
    kind=st.sampled_from(["visits", "dogs", "weather", "facts"]),
)
def test_whatever_is_brought_is_answered_in_a_sentence(content, name, kind, manager, opened):
    """Kept and looked at, or refused; no fault, and no file but in its own folder."""
    plain = name.encode("utf-8", "replace").decode("utf-8", "replace").replace('"', "")
    answer = bring(manager, content, name=plain or "x", kind=kind)
    assert answer.status_code in (303, 400, 422), answer.text
    if answer.status_code == 303:
        look = manager.get(answer.headers["location"])
        assert look.status_code == 200
        manager.post(answer.headers["location"].replace("look", "throw-away"))
    assert uploads(opened.practice()) == []


def test_somebody_limited_to_branches_sees_their_own_files_alone(
    manager, browser, make_account, sit
):
    """A file of another may be of another branch."""
    theirs = bring(manager, CLASSIFIED).headers["location"]
    limited = browser(sit(make_account("lou", Role.MANAGER, branches=["at-north"])))
    assert limited.get(theirs).status_code == 404
    assert "wait to be taken in" not in limited.get("/uploads").text
    own = bring(limited, CLASSIFIED + "V7,2023-01-09,at-north,D1,other\n").headers["location"]
    assert limited.get(own).status_code == 200
