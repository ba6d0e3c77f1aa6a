"""The application of one practice: its pages, its door, and what only jobs know."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from starlette.applications import Starlette

from forecast.pages.addresses import Addresses
from forecast.pages.all_pages import all_pages
from forecast.pages.door import Door
from forecast.pages.opened import OpenedPractice
from forecast.pages.page import Page
from forecast.pages.serving import build_app
from jobs.outside import outside

ChangePages = Callable[[OpenedPractice, Sequence[Page]], Sequence[Page]]


def application(
    opened: OpenedPractice, known_as: Addresses, *, change_pages: ChangePages | None = None
) -> Starlette:
    """Return the application; `change_pages` gives other pages than those of every practice."""
    pages: Sequence[Page] = all_pages()
    if change_pages is not None:
        pages = change_pages(opened, pages)
    return build_app(opened, pages, door=Door(known_as), outside=outside())
