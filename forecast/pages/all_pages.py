"""All pages of the application, in the order of the menu."""

from __future__ import annotations

from forecast.pages import (
    alert,
    alert_delivery,
    alert_feed,
    alert_rule,
    alerts,
    consent,
    culprits,
    data,
    dog,
    dogs,
    figure_pages,
    help,
    imports,
    label_agreement,
    labelling,
    layouts,
    own_account,
    people,
    region,
    requests,
    season,
    signing_in,
    staffing,
    staffing_branch,
    staffing_desk,
    staffing_figures,
    unsubscribing,
    uploads,
    validation,
    vets,
)
from forecast.pages.page import Page


def all_pages() -> tuple[Page, ...]:
    """Return every page there is: nothing is reachable that is not here."""
    return (
        *season.PAGES,
        *region.PAGES,
        *dogs.PAGES,
        *vets.PAGES,
        *culprits.PAGES,
        *dog.PAGES,
        *alert_feed.PAGES,  # before addresses that name an alert
        *alerts.PAGES,
        *alert_rule.PAGES,
        *alert.PAGES,
        *staffing.PAGES,
        *staffing_branch.PAGES,
        *staffing_desk.PAGES,
        *staffing_figures.PAGES,
        *figure_pages.PAGES,
        *consent.PAGES,
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
        *alert_delivery.PAGES,
        *unsubscribing.PAGES,
    )
