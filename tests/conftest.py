"""Builders shared by tests: small worlds with an answer known beforehand, and databases."""

from __future__ import annotations

import gc
import os
import secrets
import shutil
import sqlite3
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing, contextmanager
from datetime import date
from functools import cached_property, wraps
from pathlib import Path
from typing import TYPE_CHECKING, Any

# Before numpy begins: its threads wait by spinning, and two workers on two cores hold each other up
# so that a test takes five times as long. Forecasts are made with one thread anyway.
for _threads in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_threads, "1")

# isort: split
import numpy as np
import pandas as pd
import pytest
import xarray as xr
from hypothesis import HealthCheck, settings
from sqlalchemy import Connection, NullPool, create_engine, make_url
from xdist.scheduler import LoadFileScheduling

from forecast.records import Records, engine
from forecast.records.schema import migrate, schema_of
from forecast.records.tables import metadata

if TYPE_CHECKING:
    from jobs.demo.run import DemoResult

# on a loaded machine drawing an example may take a second; no test is to fail for that
settings.register_profile("forepaw", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("forepaw")
TESTS = Path(__file__).parent.resolve()
_OF_THE_TRANSACTION = ("BEGIN TRANSACTION;", "COMMIT;")  # of a dump; the caller has its own
MOST_WORKERS = 4  # each imports everything and makes its own session fixtures

# a practice of two regions, small enough that a forecast takes seconds
SMALL_SETTINGS = """
[practice]
name = "Made up"
invented = true

[[region]]
id = "north"
name = "Northton"
latitude = 37.0
longitude = 127.0
elevation = 50.0
time_zone = "Asia/Seoul"
allergens = ["birch", "grasses"]

[[region]]
id = "south"
name = "Southby"
latitude = 35.0
longitude = 129.0
elevation = 50.0
time_zone = "Asia/Seoul"
allergens = ["grasses"]

[forecast]
weeks = 26
draws = 20

[dosing]
flare_weeks_per_dose = 0.1
"""


def pytest_xdist_auto_num_workers(config: pytest.Config) -> int:
    """Say how many workers `-n auto` of pyproject.toml means: none but for the default tests whole.

    A worker takes some ten seconds to begin, so a folder, a file or a word is run without; `-n 2`
    asks for them. Long tests and checks are run without too: they time, kill, load and print.
    """
    whole = {Path(argument).resolve() for argument in config.args} <= {TESTS, TESTS.parent}
    narrowed = any(config.getoption(name, False) for name in ("keyword", "lf", "stepwise"))
    printing = config.getoption("capture") == "no"
    if not whole or narrowed or printing or "not long" not in config.getoption("markexpr"):
        return 0
    available = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count()
    return min(available, MOST_WORKERS) if available and available > 1 else 0


def build_weather(
    *, first: str, last: str, regions: tuple[str, ...] = ("north", "south"), seed: int = 0
) -> xr.Dataset:
    """Invent gap-free daily weather of a temperate climate: a yearly wave plus noise."""
    rng = np.random.default_rng(seed)
    time = pd.date_range(first, last, freq="D")
    wave = -np.cos(2 * np.pi * (time.day_of_year.to_numpy() - 20) / 365.25)
    shape = (len(regions), len(time))
    tas = 12 + 12 * wave + 2 * np.arange(len(regions))[:, None] + rng.normal(0, 2, shape)
    values = {
        "tas": tas,
        "tasmin": tas - rng.uniform(3, 6, shape),
        "tasmax": tas + rng.uniform(3, 6, shape),
        "pr": np.where(rng.random(shape) < 0.3, rng.gamma(0.7, 10, shape), 0.0),
        "hurs": np.clip(65 + 10 * wave + rng.normal(0, 10, shape), 10, 100),
        "sfcWind": rng.gamma(4, 0.6, shape),
        "rsds": np.clip(160 + 90 * wave + rng.normal(0, 40, shape), 5, None),
    }
    values["tdps"] = tas - (100 - values["hurs"]) / 5  # a rule of thumb; draws nothing
    coords = {
        "region": list(regions),
        "time": time,
        "latitude": ("region", np.linspace(37.0, 35.0, len(regions))),
        "longitude": ("region", np.linspace(127.0, 129.0, len(regions))),
        "elevation": ("region", np.full(len(regions), 50.0)),
    }
    return xr.Dataset({k: (("region", "time"), v) for k, v in values.items()}, coords=coords)


@pytest.fixture(scope="session")
def weather() -> xr.Dataset:
    """Twenty invented years of two regions."""
    return build_weather(first="2001-01-01", last="2021-12-31")


@pytest.fixture(scope="session")
def small_settings() -> str:
    """Give a practice.toml of two regions."""
    return SMALL_SETTINGS


@pytest.fixture(scope="session")
def make_weather() -> Callable[..., xr.Dataset]:
    """Give the builder of invented weather."""
    return build_weather


@pytest.fixture(scope="session")
def demo(tmp_path_factory: pytest.TempPathFactory) -> DemoResult:
    """Run the demo once for all tests that need a populated practice; do not change its folder.

    Three past origins instead of seventeen, so that it takes seconds.
    """
    from jobs.demo.run import run_demo

    folder = tmp_path_factory.mktemp("demo") / "practice"
    return run_demo(
        folder,
        as_of=date(2023, 3, 1),
        world="humidity",
        seed=1,
        say=lambda _: None,
        weeks_between_origins=52,
        raw_exports=False,
        with_staff=False,
    )


@pytest.fixture(scope="session")
def made_once(tmp_path_factory: pytest.TempPathFactory) -> Callable[..., None]:
    """Give a function that makes files the first time it is asked by a name, then copies them.

    Whoever makes them closes them. Tests of a folder fill their practices alike dozens of times,
    and to fill one takes far longer than to copy it.
    """
    home = tmp_path_factory.mktemp("made-once")

    def make_or_copy(name: str, make: Callable[[], None], *, paths: Sequence[Path]) -> None:
        kept = home / name
        if kept.exists():
            for number, path in enumerate(paths):
                _copy(kept / str(number), path)
            return
        make()
        kept.mkdir()
        for number, path in enumerate(paths):
            _copy(path, kept / str(number))

    return make_or_copy


def _copy(source: Path, target: Path) -> None:
    if source.is_dir():
        shutil.copytree(source, target, dirs_exist_ok=True)
    elif source.exists():
        shutil.copy2(source, target)


# ------------------------------------------------------------------------------ databases
@pytest.fixture(scope="session")
def migrated_once(tmp_path_factory: pytest.TempPathFactory) -> tuple[str, ...]:
    """Give the statements that make what all migrations make in an empty file of SQLite."""
    file = tmp_path_factory.mktemp("migrated") / "records.sqlite"
    records = Records(f"sqlite:///{file}")
    migrate(records)
    records.close()
    with closing(sqlite3.connect(file)) as made:
        return tuple(line for line in made.iterdump() if line not in _OF_THE_TRANSACTION)


@pytest.fixture(scope="session", autouse=True)
def _new_records_are_copies(migrated_once: tuple[str, ...]) -> Iterator[None]:
    """Copy the schema of new records in this process, in place of migrating each anew.

    A thousand tests make a practice. Files that hold a table already and processes that tests start
    migrate; so do the tests of the schema, which ask for it by its own name.
    """

    def make(records: Records) -> None:
        with records.reading() as connection:
            is_new = records.is_sqlite and schema_of(connection) is None
        if not is_new:
            migrate(records)
            return
        with records.rebuilding() as connection:
            if schema_of(connection) is None:  # another thread may have come first
                for statement in migrated_once:
                    connection.exec_driver_sql(statement)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("forecast.records.migrate", make)
        yield


@pytest.fixture(scope="session", autouse=True)
def _no_commit_waits_for_the_disk() -> Iterator[None]:
    """Spare this process its waits for the disk: no test pulls the plug.

    Processes that tests start wait, as the service does.
    """
    prepare = engine._prepare_sqlite

    @wraps(prepare)
    def prepare_in_haste(driver_connection: sqlite3.Connection, record: object) -> None:
        prepare(driver_connection, record)
        driver_connection.execute("PRAGMA synchronous=OFF")

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(engine, "_prepare_sqlite", prepare_in_haste)
        patch.setattr(os, "fsync", lambda _: None)
        yield


class PostgresqlDatabase:
    """A database of this run on a PostgreSQL server; its schemas keep tests apart."""

    def __init__(self, url: str) -> None:
        name = f"forepaw_test_{secrets.token_hex(8)}"
        options: dict[str, Any] = {"isolation_level": "AUTOCOMMIT", "poolclass": NullPool}
        self._url = make_url(url).set(database=name)
        self._server = create_engine(url, **options)
        self._engine = create_engine(self._url, **options)
        with self._server.connect() as connection:
            words = f"CREATE DATABASE {name} TEMPLATE template0 ENCODING 'UTF8' LOCALE 'C'"
            if (connection.dialect.server_version_info or (0,)) >= (15,):
                # words sort as people sort them, as in most installations: not by code
                words += " LOCALE_PROVIDER icu ICU_LOCALE 'en-US'"
            connection.exec_driver_sql(words)

    def drop(self) -> None:
        """Drop it with all its schemas, whoever is still connected."""
        with self._server.connect() as connection:
            connection.exec_driver_sql(f"DROP DATABASE {self._url.database} WITH (FORCE)")

    @cached_property
    def _migrated(self) -> str:
        with self._engine.connect() as connection:
            connection.exec_driver_sql("CREATE SCHEMA migrated")
        records = Records(self._url_of("migrated"))
        migrate(records)
        records.close()
        return "migrated"

    @contextmanager
    def emptied(self) -> Iterator[str]:
        """Give the URL of a schema with all tables and no row; rows are gone afterwards."""
        with self._engine.connect() as connection:
            with self._in_use(connection):
                yield self._url_of(self._migrated)
            connection.exec_driver_sql(f"SET search_path = {self._migrated}")
            # in one go: each by itself is a way there and back
            deletes = (str(table.delete()) for table in reversed(metadata.sorted_tables))
            connection.exec_driver_sql("; ".join(deletes))

    @contextmanager
    def new(self) -> Iterator[str]:
        """Give the URL of a schema without any table; it is gone afterwards."""
        name = f"schema_{secrets.token_hex(4)}"
        with self._engine.connect() as connection:
            connection.exec_driver_sql(f"CREATE SCHEMA {name}")
            with self._in_use(connection):
                yield self._url_of(name)
            connection.exec_driver_sql(f"DROP SCHEMA {name} CASCADE")

    def _url_of(self, schema: str) -> str:
        return self._url.update_query_dict(
            {"options": f"-csearch_path={schema}"}
        ).render_as_string()

    @contextmanager
    def _in_use(self, connection: Connection) -> Iterator[None]:
        """Fail the test that leaves a transaction open, and end whatever it left."""
        others = "FROM pg_stat_activity WHERE datname = current_database() "
        others += "AND backend_type = 'client backend' AND pid <> pg_backend_pid()"
        try:
            yield
            left = connection.exec_driver_sql(f"SELECT query {others} AND state <> 'idle'").all()
            assert left == []
        finally:
            connection.exec_driver_sql(f"SELECT pg_terminate_backend(pid) {others}")
            connection.exec_driver_sql("SET lock_timeout = '5s'")


@pytest.fixture(scope="session")
def postgresql() -> Iterator[PostgresqlDatabase]:
    """Make a database on the server that FOREPAW_TEST_POSTGRESQL names by a URL."""
    url = os.environ.get("FOREPAW_TEST_POSTGRESQL")
    if not url:
        pytest.skip("FOREPAW_TEST_POSTGRESQL names no server: records are tested on SQLite alone")
    made = PostgresqlDatabase(url)
    yield made
    made.drop()


def _records_section(request: pytest.FixtureRequest, which: str) -> Iterator[str]:
    if request.param == "sqlite":
        yield ""
        return
    with getattr(request.getfixturevalue("postgresql"), which)() as url:
        yield f'\n[records]\nurl = "{url}"\n'


@pytest.fixture(params=["sqlite", "postgresql"])
def database(request: pytest.FixtureRequest) -> Iterator[str]:
    """Give the lines of practice.toml that say where records are, for each kind of database."""
    yield from _records_section(request, "emptied")


@pytest.fixture(params=["sqlite", "postgresql"])
def new_database(request: pytest.FixtureRequest) -> Iterator[str]:
    """Give the same for a database that holds no table yet."""
    yield from _records_section(request, "new")


# Files of long tests that take minutes: begun first, so that no worker is left alone with one.
MINUTES_LONG = ("test_walk.py", "test_dogs_walk.py", "test_serving.py", "test_kills.py")
MINUTES_LONG += ("test_month.py", "test_demo_run.py", "test_pull_kills.py", "test_backup.py")
MINUTES_LONG += ("test_simulation_study.py", "test_attribution.py")


# Files that share what takes seconds to make go to one worker, which makes it once.
TOGETHER = {
    "the demo": ("test_demo_run.py", "demo/test_serving.py"),
    "filled by commands": (
        *("test_cli.py", "test_backup.py", "test_registry.py", "test_remake.py", "test_tidy.py"),
        *("test_culprits.py", "test_console.py", "test_outputs.py", "cli/test_plans.py"),
        "doctor/test_doctor.py",
    ),
    "issued on three days": ("test_issue.py", "test_replay.py", "test_draw.py", "test_staff.py"),
    "looked at in a browser": (
        *("web/test_walk.py", "web/test_dogs_walk.py", "web/test_plan_walk.py"),
        *("web/test_alerts_walk.py", "web/test_staffing_walk.py"),
    ),
}
_WORKER_OF = {f"tests/jobs/{file}": name for name, files in TOGETHER.items() for file in files}


class _FilesTogether(LoadFileScheduling):
    """Give a worker a file at a time, or those files that stand together above."""

    def _split_scope(self, nodeid: str) -> str:
        file = super()._split_scope(nodeid)
        return _WORKER_OF.get(file, file)


def pytest_xdist_make_scheduler(config: pytest.Config, log: Any) -> LoadFileScheduling | None:
    """Let `--dist loadfile` keep those files together."""
    return _FilesTogether(config, log) if config.getoption("dist") == "loadfile" else None


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Put the files that take minutes before all others; the rest stays in its order."""
    items.sort(key=lambda item: item.path.name not in MINUTES_LONG)


def pytest_collection_finish() -> None:
    """Spare the garbage collector what stands after collecting: an eighth of all tests' time."""
    gc.collect()
    gc.freeze()
    gc.set_threshold(50_000, 20, 100)
