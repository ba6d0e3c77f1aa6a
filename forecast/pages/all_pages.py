"""All pages of the application, in the order of the menu."""

from __future__ import annotations

from forecast.pages import (
    data,
    dog,
    dog_plan,
    dog_plan_doing,
    dogs,
    figure_pages,
    help,
    imports,
    label_agreement,
    labelling,
    layouts,
    own_account,
    people,
    recall,
    region,
    requests,
    season,
    signing_in,
    uploads,
    validation,
)
from forecast.pages.page import Page


def all_pages() -> tuple[Page, ...]:
    """Return every page there is: nothing is reachable that is not here."""
    return (
        *season.PAGES,
        *region.PAGES,
        *dogs.PAGES,
        *recall.PAGES,
        *dog.PAGES,
        *dog_plan.PAGES,
        *dog_plan_doing.PAGES,
        *figure_pages.PAGES,
        *data.PAGES,
        *requests.PAGES,
        *imports.PAGES,
        *uploads.PAGES,
        *layouts.PAGES,
        *labelling.PAGES,
        *label_agreement.PAGES,
        *people.PAGES,
        *validation.PAGES,
        *help.PAGES,
        *own_account.PAGES,
        *signing_in.PAGES,
    )
