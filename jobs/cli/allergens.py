"""Allergens: what a region's list holds, what its place and climate propose, and when it flies."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from jobs.cli.options import AsOf, PracticeFolder

if TYPE_CHECKING:
    from forecast.allergen_lists import ListedAllergen, ListReview, RegionList


def allergens(practice: PracticeFolder = Path(), as_of: AsOf = None) -> None:
    """Lay each region's list beside the one proposed for its place and climate."""
    from forecast.allergen_lists import review_lists
    from forecast.practice import open_practice
    from jobs.console import say
    from jobs.opening import open_all

    opened = open_practice(practice)
    records, climate = open_all(opened)
    say("comparing the regions' lists with their place and climate")
    origin = as_of or opened.today
    review = review_lists(opened, records, climate, origin=origin)
    for one in review.regions:
        _show_region(one, origin)
    _show_closing(review)


def _show_region(one: RegionList, origin: date) -> None:
    from jobs.console import heading, new_table, paragraph, print_table

    heading(f"{one.region.name}: {_place(one)}")
    table = new_table("", "listed", "proposed", "next season", "8 in 10")
    for item in one.allergens:
        if item.is_listed or item.proposal.is_proposed:
            table.add_row(
                item.proposal.allergen.name,
                "yes" if item.is_listed else "",
                "yes" if item.proposal.is_proposed else "",
                *_season(item, origin),
            )
    print_table(table)
    for item in one.unlikely_but_listed:
        paragraph(
            f"Listed, but unlikely here: {item.proposal.allergen.id}, {item.proposal.reason}."
        )
    for words, found in (
        ("Likely here, but not listed", one.likely_but_not_listed),
        ("May be listed, but never proposed, as no pollen or spores", one.offered),
    ):
        if found:
            paragraph(f"{words}: {', '.join(item.proposal.allergen.id for item in found)}.")
    quoted = ", ".join(f'"{name}"' for name in one.proposed)
    paragraph(f"Proposed for practice.toml: allergens = [{quoted}]")


def _place(one: RegionList) -> str:
    north, east = one.region.latitude, one.region.longitude
    place = (
        f"{abs(north):g} {'N' if north >= 0 else 'S'}, {abs(east):g} {'E' if east >= 0 else 'W'}"
    )
    if one.climate is None:
        return f"{place}, climate not known"
    coldest, warmest = one.climate.coldest_month, one.climate.warmest_month
    return f"{place}, coldest month {coldest:.0f} degC, warmest {warmest:.0f} degC"


def _season(item: ListedAllergen, origin: date) -> tuple[str, str]:
    from forecast.wording import season_cell

    if item.season is None:
        return "not known", ""
    return season_cell(item.season, origin)


def _show_closing(review: ListReview) -> None:
    from jobs.console import heading, paragraph

    if review.why_no_seasons:
        paragraph(f"Season dates are not known: {review.why_no_seasons}.")
    heading("How sure the seasons are")
    shown = [
        item.proposal.allergen
        for one in review.regions
        for item in one.allergens
        if item.is_listed or item.proposal.is_proposed
    ]
    for allergen in dict.fromkeys(a.id for a in shown):
        entry = next(a for a in shown if a.id == allergen)
        paragraph(f"{entry.name}: {entry.evidence}")
    paragraph(
        "Places are judged by coarse areas and two months' temperatures; the practice knows what "
        "grows around it, and its list decides."
    )
