"""A manager plans the staff in a real browser, from a nasty spreadsheet to an agreed roster."""

from __future__ import annotations

import io

import pytest
import xlsxwriter
from walking import faults, opened, sign_in

from forecast.accounts.roles import Role
from forecast.practice import open_practice
from forecast.records import open_records
from forecast.records.staff import staff_on_record

STAFF = [
    ["person", "name", "skills", "branch", "hours_a_week"],
    ["S1", "Ada", "vet", "n1", 40],
    ["S2", "Bo", "vet", "s1", 40],
    ["S3", "Cy", "technician desk", "n1", -8],
    ["S4", "Di", "groomer", "n1", 20],
    ["S5", "Ed", "technician desk", "s1", 32],
]
LEAVE = [
    ["person", "first", "last"],
    ["S1", "2022-07-11", "2022-07-15"],
    ["S1", "2022-07-14", "2022-07-22"],
]
HOURS = [["branch", "opening"], ["n1", "mon-fri 8:00-18:00"], ["s1", ""]]


def nasty_workbook() -> bytes:
    out = io.BytesIO()
    with xlsxwriter.Workbook(out, {"in_memory": True}) as book:
        for name, rows in {"staff": STAFF, "leave": LEAVE, "hours": HOURS}.items():
            sheet = book.add_worksheet(name)
            for at, row in enumerate(rows):
                sheet.write_row(at, 0, row)
    return out.getvalue()


def bring(one, site):
    """Bring the workbook as a file of staff, and let the clock take it in."""
    page = one.page
    one.go("/uploads")
    page.get_by_label("What it holds").select_option("staff")
    file = {"name": "staff.xlsx", "mimeType": "application/zip", "buffer": nasty_workbook()}
    page.locator("input[type=file]").set_input_files(file)
    page.get_by_role("button", name="Bring it").click()
    page.get_by_role("button", name="Take it in").click()
    site.tick()


def ask(one, site, button):
    """Press a button of the page that asks the clock for something, and let it be done."""
    one.page.get_by_role("button", name=button).last.click()
    one.page.wait_for_load_state()
    site.tick()
    one.go("/staffing")


@pytest.mark.long
def test_a_manager_plans_the_staff(browser, site):
    """Each fault of the spreadsheet is one line; the rest is planned, tried and agreed."""
    with opened(browser, site.base, "desk") as one:
        page = one.page
        sign_in(one, Role.MANAGER, "/staffing")
        assert "Nobody is on the staff list" in page.get_by_role("heading", level=1).inner_text()
        one.is_sound()
        bring(one, site)
        one.go("/requests")
        page.get_by_text("The first findings").first.click()
        told = page.locator("main details li").all_inner_texts()
        for part in (
            "[staff] row 4 column hours_a_week: not hours of a week: '-8'",
            "[staff] row 5 column skills: unknown skill: 'groomer'",
            "[leave] row 3 column first: overlaps leave of the same person in row 2",
            "[hours] row 3 column branch: branch without hours: 's1'",
        ):
            assert sum(part in line for line in told) == 1, part
        assert len(told) == 4
        mend_the_hours(one)
        one.go("/staffing")
        ask(one, site, "Ask for a plan")
        answer = page.get_by_role("heading", level=1).inner_text()
        assert "overflow" in answer
        one.is_sound()
        assert faults(page) == []
        try_a_change(one, site)
        page.get_by_role("button", name="Agree to this roster").click()
        page.get_by_role("status").filter(has_text="agreed").wait_for()
        look_at_a_branch(one)


def mend_the_hours(one):
    """Enter by a form what the file lacked; a slip of the pen is said with what was typed."""
    page = one.page
    one.go("/staffing/desk")
    one.is_sound()
    assert faults(page) == []
    page.get_by_text("Opening hours of a branch").click()
    page.get_by_label("Branch", exact=True).locator("visible=true").select_option("s1")
    page.get_by_label("Opens").fill("monday to friday")
    page.get_by_role("button", name="Keep it").locator("visible=true").click()
    page.get_by_role("alert").filter(has_text="Opening: not opening hours").wait_for()
    one.complaints.clear()  # the browser tells of the answer 422
    page.get_by_label("Opens").fill("mon-fri 8:00-18:00")
    page.get_by_role("button", name="Keep it").locator("visible=true").click()
    page.get_by_role("status").filter(has_text="The hours are kept").wait_for()


def try_a_change(one, site):
    """Try one more technician; the answer stands on the page beside what is."""
    page = one.page
    page.get_by_text("Somebody more on the staff").click()
    page.get_by_role("button", name="Try it").locator("visible=true").click()
    page.wait_for_load_state()
    site.tick()
    one.go("/staffing")
    assert page.get_by_text("One more technician at", exact=False).first.is_visible()


def look_at_a_branch(one):
    page = one.page
    one.go("/staffing/branches/n1")
    one.is_sound()
    assert faults(page) == []
    assert page.get_by_role("img").first.is_visible()
    assert page.locator("table[aria-labelledby=roster]").get_by_text("Ada").count() > 0
    with page.expect_download() as taken:
        page.get_by_role("link", name="Shifts as a calendar file").click()
    assert taken.value.suggested_filename == "shifts-n1.ics"


@pytest.mark.long
def test_a_vet_looks_and_changes_nothing(browser, site):
    """On a telephone; the desk's own page is not for them."""
    with opened(browser, site.base, "phone") as one:
        sign_in(one, Role.VET, "/staffing")
        one.is_sound()
        assert one.page.locator("main form").count() == 0
        assert one.page.locator("a[href='/staffing/desk']").count() == 0
        one.go("/staffing/branches/n1")
        one.is_sound()
    practice = open_practice(site.folder, now=site.moment)
    records = open_records(practice)
    held = [one.reference for one in staff_on_record(records, day=practice.today)]
    records.close()
    assert held == ["S1", "S2", "S5"]
