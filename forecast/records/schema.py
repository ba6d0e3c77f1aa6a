"""Bringing the records' schema to what this version of the code expects, by shipped migrations."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Literal

from alembic import command
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import Connection

from forecast.records.engine import Records, RecordsError

VERSION_TABLE = "schema_version"
Standing = Literal["none", "older", "current", "newer"]
_MIGRATIONS = Path(__file__).parent / "migrations"


@cache
def newest_known() -> str:
    """Return the newest schema this version of the code knows."""
    head = ScriptDirectory.from_config(alembic_config()).get_current_head()
    assert head is not None
    return head


def schema_of(connection: Connection) -> str | None:
    """Return the schema the records are at, None where they hold no table yet."""
    options = {"version_table": VERSION_TABLE}
    return MigrationContext.configure(connection, opts=options).get_current_revision()


def standing(found: str | None) -> Standing:
    """Return how a schema stands to the newest that this version of the code knows."""
    if found is None:
        return "none"
    if found == newest_known():
        return "current"
    return "older" if found in known_schemas() else "newer"


def migrate(records: Records) -> None:
    """Bring the records to the newest schema in one transaction; a newer one than ours is refused.

    Two processes that start together are put in order by the write lock; the second finds nothing
    to do.
    """
    with records.reading() as connection:
        found = schema_of(connection)
    stands = standing(found)
    if stands == "current":
        return
    if stands == "newer":
        raise RecordsError(
            f"the records are at schema {found}, made by a newer version of this service; this "
            f"one knows schemas up to {newest_known()}; install the newer version"
        )
    with records.rebuilding() as connection:
        command.upgrade(alembic_config(connection), "head")


@cache
def known_schemas() -> frozenset[str]:
    """Return every schema this version of the code can bring to its newest."""
    scripts = ScriptDirectory.from_config(alembic_config())
    return frozenset(script.revision for script in scripts.walk_revisions())


def alembic_config(connection: Connection | None = None) -> Config:
    """Return what Alembic's commands need to find the migrations, and to run them if connected."""
    config = Config()
    # a percent sign in a path would be read as interpolation
    config.set_main_option("script_location", str(_MIGRATIONS).replace("%", "%%"))
    config.attributes["connection"] = connection
    return config
