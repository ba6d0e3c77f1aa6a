"""Checks of the settings and the stores: can they be read, are they whole, do they fit."""

from __future__ import annotations

import time

from sqlalchemy import text

from forecast.climate import ClimateStore
from forecast.records.schema import newest_known
from jobs.doctor.check import Check
from jobs.doctor.look import Look


def settings(look: Look) -> list[Check]:
    """Look whether practice.toml can be used."""
    practice = look.read_practice()
    n_regions, n_sources = len(practice.settings.region), len(practice.settings.pull)
    sentence = f"practice.toml is in order: regions {n_regions}, sources to pull {n_sources}"
    return [Check("settings", "ok", sentence)]


def schema(look: Look) -> list[Check]:
    """Look whether the records fit this version of the code."""
    name = "schema"
    if not look.has_records:
        return [Check(name, "ok", "there are no records yet; the first command makes them")]
    found, stands = look.schema
    if stands == "current":
        return [Check(name, "ok", f"the records are at schema {found}, the newest")]
    if stands == "newer":
        return [
            Check(
                name,
                "fail",
                f"the records are at schema {found}, made by a newer version; this one knows "
                f"schemas up to {newest_known()} and refuses to start",
                "install the newer version",
            )
        ]
    held = "hold no table yet" if stands == "none" else f"are at schema {found}"
    return [
        Check(
            name,
            "warn",
            f"the records {held}; the next start brings them to {newest_known()}",
            "make a back-up, then start",
        )
    ]


def records_are_whole(look: Look) -> list[Check]:
    """Look whether the records can be reached, and whether SQLite finds its file whole."""
    if not look.has_records:
        return [Check("records", "ok", "there are none yet; the first command makes them")]
    began = time.monotonic()
    _ = look.schema  # a server that is away has been waited for
    records = look.open_records()
    with records.reading() as connection:
        if connection.dialect.name != "sqlite":
            connection.execute(text("SELECT 1"))
            seconds = time.monotonic() - began
            return [Check("records", "ok", f"the database answers ({seconds:.1f} s)")]
        found = [str(row[0]) for row in connection.execute(text("PRAGMA quick_check"))]
    if found != ["ok"]:
        return [
            Check(
                "records",
                "fail",
                f"the file of the records is damaged, in {len(found)} places or more: {found[0]}",
                "stop the clock, keep the folder as it is, restore the last back-up elsewhere",
            )
        ]
    seconds = time.monotonic() - began
    return [Check("records", "ok", f"the file of the records is whole ({seconds:.1f} s)")]


def climate_store(look: Look) -> list[Check]:
    """Look whether the climate store opens and its newest state can be read."""
    name = "climate store"
    folder = look.practice.climate_folder
    if not look.has_climate:
        return [
            Check(name, "warn", "there is none yet, so no forecast can be made",
                  "pull or import weather")
        ]  # fmt: skip
    try:
        store = ClimateStore.open(folder)
        n_sources, n_names = len(store.sources()), len(store.tags())
    except Exception as error:
        # whatever the store's library raises: it cannot be read
        return [
            Check(
                name,
                "fail",
                f"{folder} cannot be read ({type(error).__name__})",
                "stop the clock, keep the folder as it is, restore the last back-up elsewhere",
            )
        ]
    return [Check(name, "ok", f"it can be read: sources {n_sources}, named snapshots {n_names}")]
