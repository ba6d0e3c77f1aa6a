"""The script with which a browser draws figures: that of the installed vl-convert.

Making it takes seconds, in which its process does nothing else; so it is made in one of its own.
"""

from __future__ import annotations

from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context

import vl_convert


def drawing_script() -> bytes:
    """Return the script."""
    # without a snippet of its own, which its signature asks for, it gives the whole drawer
    script: str = vl_convert.javascript_bundle()  # type: ignore[call-arg]
    return script.encode()


def drawing_script_from_elsewhere() -> bytes:
    """Return the script, made in another process while this one goes on."""
    with ProcessPoolExecutor(1, get_context("spawn")) as pool:
        return pool.submit(drawing_script).result()
