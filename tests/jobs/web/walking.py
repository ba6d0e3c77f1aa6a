"""What walks through the pages share: a watched page of a browser, signing in, what axe finds."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from forecast.accounts.roles import Role

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

# The people and the password are those of conftest.py.
PASSWORD = "four quiet otters yawn"
SIZES = {"phone": (360, 740), "tablet": (820, 1180), "desk": (1440, 900)}
SERIOUS = ("serious", "critical")


@dataclass
class Watched:
    """A page of a browser, and whatever it complained of."""

    page: Page
    base: str
    complaints: list[str] = field(default_factory=list)

    def go(self, path: str) -> None:
        """Open an address; it must be there."""
        reply = self.page.goto(f"{self.base}{path}")
        assert reply is not None
        assert reply.status == 200, path

    def is_a_file(self, path: str) -> bool:
        """Say whether an address gives a script, a style, a workbook or a calendar, and no page."""
        reply = self.page.request.get(f"{self.base}{path}")
        assert reply.status == 200, path
        return not reply.headers["content-type"].startswith("text/html")

    def is_sound(self) -> None:
        """Nothing is wider than the window, and the browser found nothing to complain of."""
        wide = "document.documentElement.scrollWidth - document.documentElement.clientWidth"
        assert self.page.evaluate(wide) <= 0, self.page.url
        assert self.complaints == [], self.page.url


@contextmanager
def opened(browser: Browser, base: str, size: str, **options: Any) -> Iterator[Watched]:
    """Open a browser's page of a size and listen for errors, refusals of the policy included."""
    width, height = SIZES.get(size, (320, 740))
    context = browser.new_context(viewport={"width": width, "height": height}, **options)
    context.set_default_timeout(20_000)
    one = Watched(context.new_page(), base)
    one.page.on("console", lambda told: told.type == "error" and one.complaints.append(told.text))
    one.page.on("pageerror", lambda error: one.complaints.append(str(error)))
    one.page.on(
        "response",
        lambda reply: reply.status >= 400 and one.complaints.append(f"{reply.status} {reply.url}"),
    )
    try:
        yield one
    finally:
        context.close()


def sign_in(one: Watched, role: Role, next_path: str = "/") -> None:
    """Come as a stranger to a page and be let in there."""
    one.go(next_path)
    one.page.get_by_label("Mail address").fill(f"{role.value}@practice.example")
    one.page.get_by_label("Password").fill(PASSWORD)
    one.page.get_by_role("button", name="Sign in").click()
    one.page.wait_for_url(f"{one.base}{next_path}")


def faults(page: Page) -> list[str]:
    """Return the serious and critical faults that axe finds: rule, and the first place."""
    from axe_playwright_python.sync_playwright import Axe

    found = Axe().run(page).response["violations"]
    return [
        f"{one['id']} at {one['nodes'][0]['target']}" for one in found if one["impact"] in SERIOUS
    ]
