"""The house itself: small files, arrows that point down, no stray numbers in tables."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from models.parameters import load_table

ROOT = Path(__file__).parents[1]
FLOORS = ("models", "forecast", "jobs", "sample_climate", "tests")
LONGEST = 500
PYTHON = [p for floor in FLOORS for p in (ROOT / floor).rglob("*.py")]
TABLES = [p for floor in FLOORS[:3] for p in (ROOT / floor).rglob("*.toml")]


@pytest.mark.parametrize("path", PYTHON, ids=lambda p: str(p.relative_to(ROOT)))
def test_no_file_is_longer_than_500_lines(path):
    """A file that long holds more than one reason to change."""
    assert len(path.read_text(encoding="utf-8").splitlines()) <= LONGEST


def test_the_top_level_holds_the_house_and_nothing_else():
    """A newcomer sees three floors, the tests, the sample and the papers."""
    tracked = subprocess.run(
        ["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False
    ).stdout.split("\n")
    top = {line.split("/")[0] for line in tracked if line}
    allowed = {*FLOORS, "README.md", "DEVELOPERS.md", "LICENSE", "pyproject.toml"}
    assert top <= allowed | {".ci", ".gitignore"}


@pytest.mark.parametrize(
    "path",
    [
        p
        for p in TABLES
        if p.name not in ("practice_template.toml", "practice.toml", "help.toml")  # words alone
        and p.parent.name != "layouts"
    ],
    ids=lambda p: str(p.relative_to(ROOT)),
)
def test_every_table_reads_and_says_where_each_number_is_from(path):
    """Value, unit, source and status stand at each leaf, and no source is left empty."""
    package = ".".join(path.parent.relative_to(ROOT).parts)
    table = load_table(package, path.name)
    assert table.parameters
    assert all(p.source.strip() and p.unit for p in table.parameters.values())


def test_arrows_point_down():
    """The import contracts of pyproject.toml hold."""
    checked = subprocess.run(
        [str(Path(sys.executable).with_name("lint-imports"))],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    assert checked.returncode == 0, checked.stdout
