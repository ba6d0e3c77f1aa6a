"""Pollen files in a folder: two layouts, read again when they changed, indexes refused."""

from __future__ import annotations

import os
from datetime import UTC, date, datetime

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from jobs.sources import files
from jobs.sources.source import (
    FormatError,
    Place,
    RefusedError,
    SourceSettings,
    TemporaryError,
    find_source,
)

NORTH, SOUTH = Place("north", 52.0, 10.0, 50.0), Place("south", 48.0, 11.0, 500.0)
SOURCE = find_source("pollen_files")
FIRST, LAST = date(2026, 6, 1), date(2026, 6, 9)
TABLE = """region,date,allergen,value
north,2026-06-01,birch,12
north,2026-06-03,birch,0
north,2026-06-01,grasses,3.5
south,2026-06-02,birch,
"""
AN_HOUR_AGO = datetime(2026, 6, 10, 7, 0, tzinfo=UTC).timestamp()


@pytest.fixture
def folder(tmp_path):
    """Give an empty folder."""
    made = tmp_path / "pollen"
    made.mkdir()
    return made


def put(folder, name, content):
    """Write a file that came to rest an hour before the fake clock's now."""
    path = folder / name
    if isinstance(content, xr.Dataset):
        content.to_netcdf(path, engine="h5netcdf")
    elif isinstance(content, bytes):
        path.write_bytes(content)
    else:
        path.write_text(content, encoding="utf-8")
    os.utime(path, (AN_HOUR_AGO, AN_HOUR_AGO))
    return path


def ask(folder, **options):
    """Return the requests for a folder."""
    settings = SourceSettings(options={"folder": str(folder), **options})
    return files.requests(SOURCE, [NORTH, SOUTH], FIRST, LAST, settings)


@pytest.fixture
def read(folder, archive, clock):
    """Give the way from a folder to what was read of it."""

    def read_all(**options):
        replies = [
            files.get(request, archive=archive, clock=clock.clock)
            for request in ask(folder, **options)
        ]
        return [files.parse(reply) for reply in replies]

    return read_all


def netcdf(**changes):
    """Return a dataset as the NetCDF layout wants it, with some attributes changed."""
    pollen = xr.DataArray(
        np.array([[[1.0, np.nan], [5.0, 6.0]]]),
        dims=("region", "time", "allergen"),
        coords={
            "region": ["north"],
            "time": pd.date_range("2026-06-01", periods=2),
            "allergen": ["birch", "grasses"],
        },
        attrs={"units": "grains m-3"} | changes,
    )
    return xr.Dataset({"pollen": pollen})


def test_a_table_becomes_concentrations_where_empty_is_not_counted(folder, read):
    put(folder, "trap.csv", TABLE)
    (got,) = read()
    pollen = got.dataset["pollen"]
    assert pollen.dims == ("region", "allergen", "time")
    assert pollen.attrs["units"] == "grains m-3"
    assert pollen.attrs["value_kind"] == "measured"
    birch = pollen.sel(region="north", allergen="birch").values
    assert birch[0] == 12.0
    assert np.isnan(birch[1])  # no row
    assert birch[2] == 0.0
    assert pollen.sel(region="south").isnull().all()
    assert got.dataset.attrs["file"] == "trap.csv"
    assert not [f for f in got.findings if f.severity == "error"]


def test_bad_rows_are_left_out_and_told_with_their_place(folder, read):
    bad = (
        "north,2026-06-01,birk,1\neast,2026-06-01,birch,1\nnorth,2026-06-31,birch,1\n"
        "north,2026-07-01,birch,1\nnorth,2026-06-04,birch,-3\nnorth,2026-06-05,birch,many\n"
        "north,2026-06-01,birch,13\n"
    )
    put(folder, "trap.csv", TABLE + bad)
    (got,) = read()
    errors = {f.row: (f.column, f.check) for f in got.findings if f.severity == "error"}
    assert errors == {
        6: ("allergen", "unknown word"),
        7: ("region", "unknown word"),
        8: ("date", "not a day of the calendar"),
        9: ("date", "day lies in the future"),
        10: ("value", "no concentration"),
        11: ("value", "no concentration"),
        12: ("date", "repeats an earlier row (same region, allergen, date)"),
    }
    assert got.dataset["pollen"].sel(region="north", allergen="birch").values[0] == 12.0
    assert all(f.file == "trap.csv" for f in got.findings)


def test_an_index_is_no_concentration(folder, read):
    rows = "region,date,allergen,value,unit\nnorth,2026-06-01,birch,2,index\n"
    put(folder, "index.csv", rows)
    with pytest.raises(FormatError, match=r"none of its 1 rows could be kept.*'index'"):
        read()
    put(folder, "index.csv", rows.replace("index", "grains/m3"))
    assert len(read()) == 1


def test_netcdf_is_read_in_any_order_of_dimensions(folder, read):
    put(folder, "bulletin.nc", netcdf())
    (got,) = read()
    pollen = got.dataset["pollen"].sel(region="north")
    assert pollen.sel(allergen="birch").values.tolist() == [1.0, 5.0]
    assert np.isnan(pollen.sel(allergen="grasses").values[0])


def test_a_classic_netcdf_file_with_labels_of_bytes_is_read(folder, read):
    dataset = netcdf().assign_coords(region=[b"north"], allergen=[b"birch", b"grasses"])
    dataset.to_netcdf(folder / "classic.nc", engine="scipy")
    os.utime(folder / "classic.nc", (AN_HOUR_AGO, AN_HOUR_AGO))
    (got,) = read()
    assert list(got.dataset["allergen"].values) == ["birch", "grasses"]
    assert list(got.dataset["region"].values) == ["north"]


def test_measured_and_modelled_are_told_apart(folder, read):
    put(folder, "bulletin.nc", netcdf(value_kind="modelled"))
    assert read()[0].dataset["pollen"].attrs["value_kind"] == "modelled"
    put(folder, "bulletin.nc", netcdf())
    assert read()[0].dataset["pollen"].attrs["value_kind"] == "measured"
    assert read(value_kind="modelled")[0].dataset["pollen"].attrs["value_kind"] == "modelled"
    put(folder, "bulletin.csv", TABLE)
    assert read(value_kind="modelled")[0].dataset["pollen"].attrs["value_kind"] == "modelled"


@pytest.mark.parametrize(
    ("dataset", "words"),
    [
        (netcdf(units="1"), "pollen is in '1', not grains/m3"),
        (netcdf().rename(pollen="birch"), "has no variable 'pollen', it holds birch"),
        (netcdf().isel(region=0, drop=True), "pollen has dimensions"),
        (-netcdf().assign_attrs(), "negative"),
        (netcdf(value_kind="guessed"), "value_kind is 'guessed'"),
        (netcdf().assign_coords(time=[0, 1]), "time holds no days"),
        (netcdf().assign_coords(region=["east"]), "no region is known, it has east"),
    ],
)
def test_a_netcdf_file_of_another_layout_is_refused(folder, read, dataset, words):
    if words == "negative":
        dataset["pollen"].attrs["units"] = "grains m-3"
    put(folder, "bulletin.nc", dataset)
    with pytest.raises(FormatError, match=words) as caught:
        read()
    assert "\n" not in str(caught.value)


def test_an_unknown_allergen_of_netcdf_is_left_out_and_told(folder, read):
    put(folder, "bulletin.nc", netcdf().assign_coords(allergen=["birch", "plane"]))
    (got,) = read()
    assert list(got.dataset["allergen"].values) == ["birch"]
    assert [f.found for f in got.findings] == ["allergen plane"]


def test_a_broken_file_is_refused(folder, read):
    put(folder, "bulletin.nc", b"\x89HDF broken")
    with pytest.raises(FormatError, match=r"bulletin\.nc is broken, cut short"):
        read()
    (folder / "bulletin.nc").unlink()
    put(folder, "trap.csv", "date,count\n2026-06-01,3\n")
    with pytest.raises(FormatError, match="has no column 'region'"):
        read()


def test_a_file_is_read_again_only_when_it_changed(folder, archive, clock):
    path = put(folder, "trap.csv", TABLE)
    (request,) = ask(folder)
    replies = [files.get(request, archive=archive, clock=clock.clock) for _ in range(2)]
    assert [reply.not_modified for reply in replies] == [False, True]
    put(folder, "trap.csv", TABLE.replace("12", "14"))
    changed = files.get(request, archive=archive, clock=clock.clock)
    assert not changed.not_modified
    assert files.parse(changed).dataset["pollen"].max() == 14.0
    assert len(list(archive.replay("pollen_files"))) == 2
    assert request.url == path.as_uri()


def test_a_file_being_written_is_left_for_the_next_time(folder, archive, clock):
    path = put(folder, "trap.csv", TABLE)
    moment = clock.moment.timestamp() - 3
    os.utime(path, (moment, moment))
    (request,) = ask(folder)
    with pytest.raises(TemporaryError, match=r"trap\.csv is being written"):
        files.get(request, archive=archive, clock=clock.clock)
    clock.pass_by(60)
    assert files.get(request, archive=archive, clock=clock.clock).status == 200


def test_a_file_that_is_gone_or_too_large_is_said(folder, archive, clock, monkeypatch):
    put(folder, "trap.csv", TABLE)
    (request,) = ask(folder)
    (folder / "trap.csv").unlink()
    with pytest.raises(TemporaryError, match="cannot be read: no such file"):
        files.get(request, archive=archive, clock=clock.clock)
    path = put(folder, "trap.csv", "")
    with path.open("wb") as opened:
        opened.truncate(SOURCE.limits.largest_reply_bytes + 1)  # sparse
    os.utime(path, (AN_HOUR_AGO, AN_HOUR_AGO))
    with pytest.raises(RefusedError, match="has 100000001 bytes"):
        files.get(request, archive=archive, clock=clock.clock)


def test_other_files_of_the_folder_are_left_alone(folder):
    for name in ("README.txt", "~$trap.xlsx", ".hidden.csv"):
        put(folder, name, "x")
    assert ask(folder) == []


def test_names_with_blanks_and_umlauts_are_found(folder, read):
    put(folder, "Pollenfalle Süd 100%.csv", TABLE)
    assert len(read()) == 1


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({}, "there is no folder ''"),
        ({"folder": "pollen"}, "there is no folder 'pollen'"),
        ({"folder": "/nowhere/at/all"}, "make it, or name another"),
        ({"folder": "/", "value_kind": "guess"}, "may be measured or modelled"),
        ({"path": "/"}, "'path' is not one of its settings"),
    ],
)
def test_settings_that_cannot_work_are_refused(options, words):
    with pytest.raises(RefusedError, match=words):
        files.requests(SOURCE, [NORTH], FIRST, LAST, SourceSettings(options=options))
