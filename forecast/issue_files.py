"""The two files of an issue: what is kept for ever, and its draws, which are kept for a while.

`issued/<origin>-<id>.nc` holds all but the draws of every week ahead; these are by far the most of
an issue and stand in `issued/draws/` under the same name. The first file tells the hash of the
second, and is named by its own: one hash stands for both, and stays true when the draws are gone.
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import xarray as xr

from forecast.array_files import (
    ArrayFileError,
    content_hash,
    read_part,
    read_tree,
    write_tree,
)

DRAWS_FOLDER = "draws"
DRAWS_HASH = "draws_sha256"
_PRIVATE_FOLDER = 0o700


def parted(forecast: xr.Dataset) -> tuple[xr.Dataset, xr.Dataset]:
    """Return what is kept for ever, and the draws of every week ahead."""
    drawn = [name for name, array in forecast.items() if {"draw", "week"} <= set(array.dims)]
    draws = forecast[drawn].drop_attrs(deep=False)
    return forecast.drop_vars(drawn), draws


def draws_file(path: Path) -> Path:
    """Return where the draws of the issue in a file stand, or stood."""
    return path.parent / DRAWS_FOLDER / path.name


def write_issue(forecast: xr.Dataset, folder: Path, *, origin: str) -> Path:
    """Write both files, the draws first, so that an issue that is there had its draws.

    A file that is there whole is left as it is. Returns the path of the first.
    """
    kept, draws = parted(forecast)
    draws_tree = xr.DataTree(draws)
    tree = xr.DataTree(kept.assign_attrs({DRAWS_HASH: content_hash(draws_tree)}))
    path = folder / f"{origin}-{content_hash(tree)[:12]}.nc"
    draws_file(path).parent.mkdir(mode=_PRIVATE_FOLDER, exist_ok=True)
    for part, where in ((draws_tree, draws_file(path)), (tree, path)):
        if not _is_whole(where, part):
            write_tree(part, where)
    return path


def _is_whole(path: Path, tree: xr.DataTree) -> bool:
    try:
        return content_hash(read_tree(path)) == content_hash(tree)
    except ArrayFileError:  # not there yet, or damaged since
        return False


def read_issue(path: Path, *, with_draws: bool = True) -> tuple[xr.Dataset, str]:
    """Return what an issue's files hold, its draws while they are kept and wanted, and its hash."""
    tree = read_tree(path)
    found = content_hash(tree)
    if not path.stem.endswith(found[:12]):
        raise _changed(path)
    forecast = tree.to_dataset()
    drawn = draws_file(path)
    if with_draws and drawn.exists():
        draws = read_tree(drawn)
        if content_hash(draws) != forecast.attrs.get(DRAWS_HASH):
            raise _changed(drawn)
        forecast = forecast.assign(draws.to_dataset().data_vars)
    return forecast, found


def read_draws_of(path: Path, region: str) -> xr.Dataset | None:
    """Return the draws of one region, dims without it; None where they are no longer kept.

    Of hundreds of regions they are too many to be read at once. Only the file's own seal is
    checked, not that its content is what was issued.
    """
    try:
        return read_part(draws_file(path), region=region)
    except ArrayFileError:
        if draws_file(path).exists():
            raise
        return None


def _changed(path: Path) -> ArrayFileError:
    return ArrayFileError(f"{path} was changed after it was issued; restore it from a back-up")


def drop_draws(paths: Iterable[Path]) -> int:
    """Delete the draws of issues; return the bytes freed. Those that are gone are no fault."""
    freed = 0
    for path in map(draws_file, paths):
        if path.exists():
            freed += path.stat().st_size
            path.unlink()
    return freed
