"""From a chart to an SVG and a PNG file, drawn once and stored."""

from __future__ import annotations

import json
import os
import re
import struct
import zlib
from collections.abc import Mapping
from pathlib import Path
from tempfile import NamedTemporaryFile
from typing import Any
from xml.sax.saxutils import escape, quoteattr

import vl_convert

from forecast.charts.theme import AnyChart, ChartError

_MOMENT = re.compile(r"datetime\((\d+)\)")  # milliseconds since 1970
PNG_SCALE = 2.0  # device pixels a unit: sharp on screens and in print


def render(chart: AnyChart, path_stem: Path) -> tuple[Path, Path]:
    """Write `path_stem`.svg and .png and return both paths.

    Each file appears whole or not at all. The chart's description becomes the text alternative of
    the SVG; a chart without one is refused.
    """
    spec = chart.to_dict()
    description = spec.get("description")
    if not description:
        raise ChartError(
            f"a figure was to be written to {path_stem} without a description; every figure has a "
            "text alternative; set its description"
        )
    drawn = vl_convert.vegalite_to_svg(spec)
    svg = _with_text(drawn, str(description))
    png = packed(vl_convert.svg_to_png(drawn, scale=PNG_SCALE))
    svg_path = path_stem.with_name(path_stem.name + ".svg")
    png_path = path_stem.with_name(path_stem.name + ".png")
    write_whole(svg_path, svg.encode())
    write_whole(png_path, png)
    return svg_path, png_path


def svg_of(spec: Mapping[str, Any]) -> str:
    """Draw a specification of Vega-Lite that has a description as SVG, with its words."""
    return _with_text(vl_convert.vegalite_to_svg(dict(spec)), str(spec["description"]))


def compiled(spec: Mapping[str, Any]) -> dict[str, Any]:
    """Return the Vega of a specification of Vega-Lite: what a browser draws without compiling."""
    text = json.dumps(vl_convert.vegalite_to_vega(dict(spec)))
    # the interpreter of expressions, which a strict page needs, reads one number as a year
    vega: dict[str, Any] = json.loads(_MOMENT.sub(r"\1", text))
    return vega


def packed(png: bytes) -> bytes:
    """Return the same picture packed as small as PNG can: a fifth of what the drawer writes."""
    begin, head, data, tail = png[:8], b"", b"", b""
    at = 8
    while at < len(png):
        (length,) = struct.unpack(">I", png[at : at + 4])
        chunk = png[at : at + length + 12]
        if chunk[4:8] == b"IDAT":
            data += chunk[8:-4]
        elif data:
            tail += chunk
        else:
            head += chunk
        at += length + 12
    body = b"IDAT" + zlib.compress(zlib.decompress(data), 9)
    size, check = struct.pack(">I", len(body) - 4), struct.pack(">I", zlib.crc32(body))
    return begin + head + size + body + check + tail


def _with_text(svg: str, description: str) -> str:
    """Give the root element its role and its text alternative."""
    start, rest = svg.split(">", 1)
    described = f'{start} role="img" aria-label={quoteattr(description)}>'
    return f"{described}<desc>{escape(description)}</desc>{rest}"


def write_whole(path: Path, content: bytes) -> None:
    """Write a file so that its name stands for the whole content or for what was there before."""
    with NamedTemporaryFile(dir=path.parent, prefix=path.name, suffix=".tmp", delete=False) as file:
        try:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        except BaseException:
            Path(file.name).unlink(missing_ok=True)
            raise
    Path(file.name).chmod(0o644)
    Path(file.name).replace(path)
