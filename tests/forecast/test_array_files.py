"""Array files: whole or not there, and named by what they hold."""

from __future__ import annotations

import h5py
import numpy as np
import pandas as pd
import pytest
import xarray as xr

from forecast import array_files
from forecast.array_files import ArrayFileError, content_hash, read_tree, write_tree


def make_tree(**changes: object) -> xr.DataTree:
    """Return two nodes with every kind of value an issue or a model holds."""
    values = np.arange(3000, dtype=np.int32).reshape(30, 100)
    root = xr.Dataset(
        {
            "numbers": (("draw", "week"), values),
            "shares": (("week",), np.where(np.arange(100) % 7, np.linspace(0, 1, 100), np.nan)),
        },
        coords={
            "week": pd.date_range("2023-01-02", periods=100, freq="7D"),
            "region": np.array(["seoul", "busan"], dtype=object),
        },
        attrs={"text": "a", "whole": 3, "share": 0.1, **changes},
    )
    leaf = xr.Dataset({"flag": ("region", np.array([1, 0], np.int8))})
    return xr.DataTree.from_dict({"/": root, "leaf": leaf})


def test_what_is_written_is_read_back_with_the_same_hash(tmp_path):
    """Numbers, gaps, days, names and attributes come back as they were, in every node."""
    tree = make_tree()
    write_tree(tree, tmp_path / "a.nc")
    back = read_tree(tmp_path / "a.nc")
    assert content_hash(back) == content_hash(tree)
    for path in ("/", "leaf"):
        written, found = (t[path].to_dataset(inherit=False) for t in (tree, back))
        xr.testing.assert_equal(found, written)
    assert {name: back.attrs[name] for name in ("text", "whole", "share")} == {
        "text": "a",
        "whole": 3,
        "share": 0.1,
    }


def _of_node(tree: xr.DataTree, **variables: object) -> xr.DataTree:
    tree["leaf"] = tree["leaf"].to_dataset().assign(**variables)
    return tree


@pytest.mark.parametrize(
    "other",
    [
        make_tree(text="b"),
        make_tree(whole=4),
        make_tree(whole=3.5),
        make_tree(more="c"),
        _of_node(make_tree(), flag=("region", np.array([1, 1], np.int8))),
        _of_node(make_tree(), flag=("place", np.array([1, 0], np.int8))),
        _of_node(make_tree(), second=("region", np.array([1, 0], np.int8))),
    ],
    ids=["text", "whole number", "fraction", "attribute", "value", "dim", "variable"],
)
def test_anything_else_held_is_another_hash(other):
    """A value, a name, a dim, an attribute: each counts."""
    assert content_hash(other) != content_hash(make_tree())


def test_one_value_among_thousands_is_another_hash():
    """So does the last place of the last number."""
    tree, other = make_tree(), make_tree()
    other["numbers"] = other["numbers"].where(other["numbers"] < 2999, 0)
    assert other["numbers"].dtype == tree["numbers"].dtype
    assert content_hash(tree) != content_hash(other)


def test_when_and_by_which_run_is_not_what_a_file_holds():
    """The same forecast made twice has one name."""
    assert content_hash(make_tree(run_id="r1", issued_at="then")) == content_hash(make_tree())


def test_a_file_that_is_not_there_is_refused_in_a_sentence(tmp_path):
    """The sentence names the file."""
    with pytest.raises(ArrayFileError, match=r"gone\.nc was asked for; there is no such file"):
        read_tree(tmp_path / "gone.nc")


@pytest.mark.parametrize("share", [0.0, 0.02, 0.1, 0.5, 0.9, 0.999])
def test_a_file_cut_short_is_refused_in_a_sentence(tmp_path, share):
    """Wherever it was cut, it is one sentence with what to do."""
    path = tmp_path / "a.nc"
    write_tree(make_tree(), path)
    whole = path.read_bytes()
    path.write_bytes(whole[: int(share * len(whole))])
    with pytest.raises(ArrayFileError, match=r"a\.nc was cut short or changed.*restore it"):
        read_tree(path)


def test_a_file_with_any_byte_changed_is_refused(tmp_path):
    """Two hundred bytes all over the file, each turned over alone."""
    path = tmp_path / "a.nc"
    write_tree(make_tree(), path)
    whole = path.read_bytes()
    for at in np.linspace(0, len(whole) - 1, 200).astype(int):
        broken = bytearray(whole)
        broken[at] ^= 0xFF
        path.write_bytes(bytes(broken))
        with pytest.raises(ArrayFileError, match="was cut short or changed"):
            read_tree(path)


def test_a_file_edited_with_another_tool_is_refused(tmp_path):
    """One value set with a reader of the format, which leaves a valid file."""
    path = tmp_path / "a.nc"
    write_tree(make_tree(), path)
    with h5py.File(path, "r+") as opened:
        opened["shares"][3] = 0.9
    with pytest.raises(ArrayFileError, match="was cut short or changed"):
        read_tree(path)


def test_any_reader_of_the_format_opens_the_files(tmp_path):
    """What forepaw adds for its own checks is in nobody's way."""
    path = tmp_path / "a.nc"
    tree = make_tree()
    write_tree(tree, path)
    with xr.open_dataset(path, engine="h5netcdf") as opened:
        xr.testing.assert_equal(opened.load(), tree.to_dataset())


def test_a_write_that_fails_leaves_what_was_there(tmp_path, monkeypatch):
    """The disk is full half way: the old file stays, no part of the new one does."""
    path = tmp_path / "a.nc"
    write_tree(make_tree(), path)
    before = path.read_bytes()

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(array_files.os, "fsync", full)
    with pytest.raises(OSError, match="No space left"):
        write_tree(make_tree(text="b"), path)
    assert path.read_bytes() == before
    assert [p.name for p in tmp_path.iterdir()] == ["a.nc"]


def test_a_file_gets_its_name_in_one_step_or_not_at_all(tmp_path, monkeypatch):
    """The very last step fails: the old file stays as it was."""
    path = tmp_path / "a.nc"
    write_tree(make_tree(), path)
    before = path.read_bytes()

    def killed(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(array_files.os, "replace", killed)
    with pytest.raises(KeyboardInterrupt):
        write_tree(make_tree(text="b"), path)
    assert path.read_bytes() == before
    assert [p.name for p in tmp_path.iterdir()] == ["a.nc"]


def test_nothing_has_the_name_before_it_is_whole(tmp_path, monkeypatch):
    """At the moment it is synced to disk, the file does not have its name yet."""
    path, seen = tmp_path / "a.nc", []
    sync = array_files.os.fsync
    monkeypatch.setattr(
        array_files.os, "fsync", lambda handle: (seen.append(path.exists()), sync(handle))
    )
    write_tree(make_tree(), path)
    assert seen == [False]
    assert path.exists()
