"""A person walks through the pages in a real browser: with and without script, small and large."""

from __future__ import annotations

import itertools
import os
from pathlib import Path

import pytest
from starlette.routing import Route
from walking import PASSWORD, Watched, faults, opened, sign_in

from forecast.accounts.roles import Role, rights_of
from forecast.pages.all_pages import all_pages

VISITS = (
    "visit,date,branch,dog,kind\nX1,2022-06-26,n1,D01,itch flare\nX2,2022-06-26,nowhere,D02,other\n"
)


def addresses_of(role: Role) -> list[str]:
    """Return every address without a part to be filled in that a role may look at."""
    rights = rights_of(role)
    return [
        page.path
        for page in all_pages()
        if "GET" in page.methods
        and "{" not in page.path
        and page.path != "/staffing/workbook"  # there is none before a plan was asked for
        and page.needs in rights
    ]


# --------------------------------------------------------------------------------------- the walk
def look_at_the_season(one: Watched, *, script: bool) -> None:
    """Read the sentence, then go to a region by its link; figures have words for who sees none."""
    page = one.page
    assert page.get_by_role("heading", level=1).inner_text().endswith(".")
    one.is_sound()
    page.get_by_role("link", name="Northton").first.click()
    page.wait_for_url(f"{one.base}/regions/north")
    assert "Northton" in page.get_by_role("heading", level=1).inner_text()
    figures = page.locator("figure[data-live]")
    assert figures.count() >= 2
    for picture in page.locator("figure img").all():
        assert picture.get_attribute("alt")
    if script:
        figures.first.scroll_into_view_if_needed()
        live = figures.first.locator(".live")
        live.wait_for()
        assert live.get_attribute("aria-label")
    one.is_sound()


def bring_a_file(one: Watched, file: Path) -> None:
    """Bring an export, look at what the checks found, take it in."""
    page = one.page
    one.go("/uploads")
    page.get_by_label("What it holds").select_option("visits")
    page.get_by_label("The file").set_input_files(file)
    page.get_by_role("button", name="Bring it").click()
    page.wait_for_url(f"{one.base}/uploads/*/look")
    assert file.name in page.get_by_role("heading", level=1).inner_text()
    one.is_sound()
    page.get_by_role("button", name="Take it in").click()
    page.wait_for_load_state()
    one.go("/requests")
    waits = page.locator("#requests li.waiting")
    waits.filter(has_text="Bring in a file of visits").wait_for()
    one.is_sound()


@pytest.mark.long
@pytest.mark.parametrize(
    ("size", "script"),
    [
        ("phone", False),
        ("desk", True),
        pytest.param("phone", True, marks=pytest.mark.long),
        pytest.param("desk", False, marks=pytest.mark.long),
    ],
)
def test_signing_in_looking_bringing_a_file_and_asking(browser, site, tmp_path, size, script):
    """The whole walk; what was asked for appears as done, by itself where there is script."""
    file = tmp_path / f"visits-{size}-{script}.csv"
    file.write_text(VISITS.replace("X", f"{size}{script}"))
    with opened(browser, site.base, size, java_script_enabled=script) as one:
        page = one.page
        sign_in(one, Role.MANAGER)
        look_at_the_season(one, script=script)
        bring_a_file(one, file)
        done = page.locator("#requests li.done").filter(has_text="Bring in a file of visits")
        before = done.count()
        site.tick()
        if not script:
            page.reload()
        done.nth(before).wait_for()
        done.first.get_by_role("link").click()
        page.wait_for_url(f"{one.base}/imports/*")
        assert "1 row was left out" in page.locator("main").inner_text()
        one.is_sound()
        one.go("/data")
        page.get_by_role("button", name="Make a back-up now").click()
        page.wait_for_load_state()
        assert "Asked for" in page.get_by_role("status").first.inner_text()
        site.tick()
        if not script:
            page.reload()
        page.locator("#requests li.done").filter(has_text="Make a back-up now").first.wait_for()
        page.locator("summary").filter(has_text="Some manager").click()
        page.get_by_role("button", name="Sign out").click()
        page.get_by_text("You are signed out").wait_for()
        one.is_sound()


# ----------------------------------------------------------------------------- every page, each way
def look_at_all(one: Watched, role: Role) -> list[str]:
    """Open every page of a role; return what axe finds, by address.

    Of pages whose address has a part to be filled in, the first to which one of the others leads.
    """
    found = []
    paths = [*addresses_of(role), "/regions/north", "/regions/south"]
    routes = [Route(page.path, len, name=page.name) for page in all_pages() if "{" in page.path]
    for path in paths:  # grows
        if one.is_a_file(path):
            continue
        one.go(path)
        one.page.wait_for_load_state("networkidle")
        one.is_sound()
        found += [f"{path}: {fault}" for fault in faults(one.page)]
        for link in one.page.locator("main a[href^='/']").all():
            leads_to = (link.get_attribute("href") or "").partition("#")[0]
            route = next((held for held in routes if held.path_regex.match(leads_to)), None)
            if route is not None and "." not in leads_to:
                routes.remove(route)
                paths.append(leads_to)
    return found


@pytest.mark.long
def test_every_page_of_an_administrator_is_without_serious_faults(browser, site):
    """By axe, on a tablet; strangers' pages too."""
    with opened(browser, site.base, "tablet") as one:
        one.go("/sign-in")
        assert faults(one.page) == []
        sign_in(one, Role.ADMINISTRATOR)
        assert look_at_all(one, Role.ADMINISTRATOR) == []


def looks() -> list[tuple[Role, str, str]]:
    """Return roles, sizes and schemes to look with: in short one of each, never the same twice."""
    roles, sizes = (Role.VET, Role.MANAGER, Role.DESK), ("narrowest", "phone", "desk")
    if os.environ.get("FOREPAW_LONG") == "whole":
        return list(itertools.product(roles, sizes, ("light", "dark")))
    return list(zip(roles, sizes, ("dark", "light", "dark"), strict=True))


@pytest.mark.long
@pytest.mark.parametrize(("role", "size", "scheme"), looks())
def test_every_page_of_others_in_light_and_dark(browser, site, role, size, scheme):
    """Down to 320 px, as WCAG asks of reflow; with contrast in both schemes."""
    with opened(browser, site.base, size, color_scheme=scheme) as one:
        sign_in(one, role)
        assert look_at_all(one, role) == []


@pytest.mark.long
@pytest.mark.parametrize("size", ["narrowest", "desk"])
def test_every_page_without_script(browser, site, size):
    """Nothing is wider than the window, and nothing is missing that was referred to."""
    with opened(browser, site.base, size, java_script_enabled=False) as one:
        sign_in(one, Role.ADMINISTRATOR)
        for path in addresses_of(Role.ADMINISTRATOR):
            if one.is_a_file(path):
                continue
            one.go(path)
            one.page.wait_for_load_state("networkidle")
            assert one.page.get_by_role("heading", level=1).count() == 1, path
            assert one.complaints == [], path


@pytest.mark.long
def test_paper_is_white_whoever_prints(browser, site):
    """Dark pages are printed with dark ink, all of it with contrast; without menu and forms."""
    with opened(browser, site.base, "tablet", color_scheme="dark") as one:
        sign_in(one, Role.MANAGER)
        one.page.emulate_media(media="print", color_scheme="dark")
        for path in ("/", "/regions/north", "/data", "/imports"):
            one.go(path)
            one.page.wait_for_load_state("networkidle")
            for held in ("body", ".invented", "main h1"):
                ink = one.page.locator(held).first.evaluate("e => getComputedStyle(e).color")
                assert ink == "rgb(0, 0, 0)", (path, held)
            ground = "getComputedStyle(document.querySelector('.invented')).backgroundColor"
            assert one.page.evaluate(ground) == "rgb(255, 255, 255)"
            assert not one.page.locator(".top nav").is_visible()
            assert faults(one.page) == []
            one.is_sound()


# ------------------------------------------------------------------------------------ by keyboard
FOCUSED = """() => {
  const e = document.activeElement, style = getComputedStyle(e);
  return [e.tagName, (e.innerText || e.name || "").trim(), style.outlineStyle, style.outlineWidth];
}"""


@pytest.mark.long
def test_the_keyboard_reaches_everything_and_is_seen(browser, site):
    """Tab leads over every link and button of the page, each with a visible ring; and signs in."""
    with opened(browser, site.base, "desk") as one:
        page = one.page
        one.go("/sign-in")
        page.get_by_label("Mail address").focus()
        page.keyboard.type("vet@practice.example")
        page.keyboard.press("Tab")
        page.keyboard.type(PASSWORD)
        page.keyboard.press("Enter")
        page.wait_for_url(f"{one.base}/")
        page.keyboard.press("Tab")
        tag, words, *_ = page.evaluate(FOCUSED)
        assert (tag, words) == ("A", "Skip to the answer")
        wanted = page.locator("a[href]:visible, button:visible, summary:visible").count()
        reached = []
        for _ in range(3 * wanted + 10):
            reached.append(page.evaluate(FOCUSED))
            page.keyboard.press("Tab")
            if page.evaluate("document.activeElement === document.body"):
                break
        interactive = [one for one in reached if one[0] in ("A", "BUTTON", "SUMMARY")]
        assert len(interactive) >= wanted
        unseen = [one for one in reached if one[2] == "none" or one[3] == "0px"]
        assert unseen == []
        assert one.complaints == []
