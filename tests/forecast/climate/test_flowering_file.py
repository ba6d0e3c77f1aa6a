"""Flowering dates from a CSV file."""

from __future__ import annotations

from datetime import date

import pytest

import sample_climate
from forecast.climate import read_flowering_file
from forecast.csv_files import SheetError

HEADER = "region,species,stage,date\n"


@pytest.fixture
def read(tmp_path):
    def read_text(text: str, **options: object):
        path = tmp_path / "flowering.csv"
        path.write_text(text, encoding="utf-8")
        return read_flowering_file(path, **options)

    return read_text


def test_good_rows_are_kept_and_bad_ones_reported(read):
    """Each bad row is named with what is wrong; the rest comes through."""
    frame, findings = read(
        HEADER
        + "north,oak,flowering,2024-04-10\n"
        + "north,oak,flowering,2024-04-31\n"
        + ",oak,flowering,2024-04-11\n"
        + "north,oak,flowering,2025-04-10\n"
        + "north,oak,flowering,2024-04-10\n",
        today=date(2024, 6, 1),
    )
    assert len(frame) == 1
    assert frame["date"].dt.strftime("%Y-%m-%d").tolist() == ["2024-04-10"]
    assert sorted((f.row, f.column) for f in findings) == [
        (3, "date"),
        (4, "region"),
        (5, "date"),
        (6, "date"),
    ]


def test_a_region_outside_the_practice_is_left_out_if_asked_so(read):
    """The nearest region is offered."""
    text = HEADER + "north,oak,flowering,2024-04-10\nnrth,oak,flowering,2024-04-10\n"
    frame, findings = read(text, regions=["north", "south"])
    assert frame["region"].tolist() == ["north"]
    assert "did you mean 'north'?" in findings[0].sentence


def test_a_file_with_a_missing_column_or_no_good_row_is_refused(read):
    """One sentence, nothing kept."""
    with pytest.raises(SheetError, match="no column 'stage'"):
        read("region,species,date\nnorth,oak,2024-04-10\n")
    with pytest.raises(SheetError, match="none of its 1 rows could be kept"):
        read(HEADER + "north,oak,flowering,soon\n")


def test_the_sample_is_read_without_a_finding():
    """The dates that are shipped are good."""
    path = sample_climate.FOLDER / sample_climate.FLOWERING_FILE
    frame, findings = read_flowering_file(path)
    assert findings == []
    assert len(frame) == len(path.read_text(encoding="utf-8").splitlines()) - 1
    assert frame.columns.tolist() == ["region", "species", "stage", "date"]
