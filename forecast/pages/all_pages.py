"""All pages of the application, in the order of the menu."""

from __future__ import annotations

from forecast.pages import figure_pages, help, own_account, people, region, season, signing_in
from forecast.pages.page import Page


def all_pages() -> tuple[Page, ...]:
    """Return every page there is: nothing is reachable that is not here."""
    return (
        *season.PAGES,
        *region.PAGES,
        *figure_pages.PAGES,
        *people.PAGES,
        *help.PAGES,
        *own_account.PAGES,
        *signing_in.PAGES,
    )
