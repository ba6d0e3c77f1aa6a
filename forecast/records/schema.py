"""Bringing the records' schema to what this version of the code expects, by shipped migrations."""

from __future__ import annotations

from pathlib import Path

from alembic import command
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import Connection

from forecast.records.engine import Records, RecordsError

VERSION_TABLE = "schema_version"
_MIGRATIONS = Path(__file__).parent / "migrations"


def newest_known() -> str:
    """Return the newest schema this version of the code knows."""
    head = ScriptDirectory.from_config(alembic_config()).get_current_head()
    assert head is not None
    return head


def schema_of(connection: Connection) -> str | None:
    """Return the schema the records are at, None where they hold no table yet."""
    options = {"version_table": VERSION_TABLE}
    return MigrationContext.configure(connection, opts=options).get_current_revision()


def migrate(records: Records) -> None:
    """Bring the records to the newest schema in one transaction; a newer one than ours is refused.

    Two processes that start together are put in order by the write lock; the second finds nothing
    to do.
    """
    with records.reading() as connection:
        found = schema_of(connection)
    known = _known()
    if found == newest_known():
        return
    if found is not None and found not in known:
        raise RecordsError(
            f"the records are at schema {found}, made by a newer version of this service; this "
            f"one knows schemas up to {newest_known()}; install the newer version"
        )
    with records.rebuilding() as connection:
        command.upgrade(alembic_config(connection), "head")


def _known() -> set[str]:
    scripts = ScriptDirectory.from_config(alembic_config())
    return {script.revision for script in scripts.walk_revisions()}


def alembic_config(connection: Connection | None = None) -> Config:
    """Return what Alembic's commands need to find the migrations, and to run them if connected."""
    config = Config()
    # a percent sign in a path would be read as interpolation
    config.set_main_option("script_location", str(_MIGRATIONS).replace("%", "%%"))
    config.attributes["connection"] = connection
    return config
