"""Array files: trees of datasets written once, whole, and named by what they hold.

The hash is taken of names, dims and values, not of the file's bytes: a NetCDF file carries times
and library versions of its own, and two files with equal contents must be equal.
"""

from __future__ import annotations

import hashlib
import json
import os
from pathlib import Path
from typing import Any

import h5netcdf
import numpy as np
import xarray as xr

from models.errors import ForepawError


class ArrayFileError(ForepawError):
    """An array file is missing, cut short, or not what its name says."""


# When and by which run a file came about is told in it, but is not what it holds.
CIRCUMSTANCES = ("run_id", "issued_at", "learnt")


def content_hash(tree: xr.DataTree, *, attributes: bool = True) -> str:
    """Return the SHA-256 of what a tree holds: names, dims, values and, unless told, attributes."""
    digest = hashlib.sha256()
    for node in sorted(tree.subtree, key=lambda n: n.path):
        digest.update(node.path.encode())
        told = {str(k): v for k, v in node.attrs.items() if k not in CIRCUMSTANCES}
        digest.update(_canonical(told if attributes else {}))
        dataset = node.to_dataset(inherit=False)
        for name in sorted(str(n) for n in dataset.variables):
            variable = dataset.variables[name]
            digest.update(f"{name}{variable.dims}{variable.shape}".encode())
            digest.update(_bytes(variable.values))
    return digest.hexdigest()


def _canonical(attrs: dict[str, Any]) -> bytes:
    # a number comes back from a file as numpy's own: it must count as the number it is
    plain = {
        k: v.tolist() if isinstance(v, np.generic | np.ndarray) else v for k, v in attrs.items()
    }
    return json.dumps(plain, sort_keys=True).encode()


def _bytes(values: np.ndarray[Any, Any]) -> bytes:
    if values.dtype.kind in "OUST":
        return "\x1f".join(str(v) for v in values.ravel()).encode()
    if values.dtype.kind == "M":
        values = values.astype("datetime64[s]").astype(np.int64)
    return np.ascontiguousarray(values).tobytes()


def write_tree(tree: xr.DataTree, path: Path) -> None:
    """Write a tree so that the file is either whole or not there."""
    partial = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        encoding = {node.path: _encoding(node) for node in tree.subtree}
        tree.to_netcdf(partial, engine="h5netcdf", encoding=encoding)
        with partial.open("rb+") as written:
            seal = _seal(written.read())
            written.write(seal)
            written.flush()
            os.fsync(written.fileno())
        os.replace(partial, path)
    finally:
        partial.unlink(missing_ok=True)


def _seal(content: bytes) -> bytes:
    """Return what is written after a file's content, where its readers do not look."""
    return b"\nsha256 " + hashlib.sha256(content).hexdigest().encode()


def _encoding(node: xr.DataTree) -> dict[str, dict[str, Any]]:
    numeric = {n: v for n, v in node.data_vars.items() if v.dtype.kind in "fiu" and v.size > 1000}
    return {str(name): {"zlib": True, "complevel": 1} for name in numeric}


def read_tree(path: Path) -> xr.DataTree:
    """Read a whole tree into memory and let go of the file."""
    _check(path)
    with xr.open_datatree(path, engine="h5netcdf") as opened:
        return opened.load()


def read_part(path: Path, **where: str) -> xr.Dataset:
    """Read the root's part at some labels, such as one region, and let go of the file."""
    _check(path)
    with xr.open_dataset(path, engine="h5netcdf") as opened:
        return opened.sel(where).load()


def read_attributes(path: Path) -> dict[str, Any]:
    """Read what a file's root is told to be, which is quick."""
    _check(path)
    with h5netcdf.File(path, "r") as opened:
        return dict(opened.attrs)


def _check(path: Path) -> None:
    """Check the bytes first: on broken ones a NetCDF reader may hang, or return nonsense."""
    try:
        content = path.read_bytes()
    except FileNotFoundError:
        raise ArrayFileError(f"{path} was asked for; there is no such file") from None
    length = len(_seal(b""))
    if content[-length:] != _seal(content[:-length]):
        raise ArrayFileError(
            f"{path} was cut short or changed after it was written; restore it from a back-up"
        )
