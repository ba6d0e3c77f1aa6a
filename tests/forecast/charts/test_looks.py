"""Looks of a figure: readable on dark ground too, bare, and without what a strict page refuses."""

from __future__ import annotations

import json
import struct
import zlib
from itertools import pairwise

import altair as alt
import pandas as pd
import pytest

from forecast.charts import looks, theme
from forecast.charts.exposure import exposure_chart
from forecast.charts.looks import LOOKS, as_seen
from forecast.charts.render import compiled, packed, svg_of


@pytest.fixture(scope="module")
def spec():
    week = pd.date_range("2024-01-01", periods=6, freq="7D")
    frame = pd.DataFrame({"week": week, "allergen": "Birch", "exposure": [0, 1, 2, 3, 2, 1]})
    return exposure_chart(frame, title="Birch.", source="s", hover=True).to_dict()


@pytest.mark.parametrize(("text", "ground"), looks.DARK_TEXT_ON_GROUND)
def test_text_on_dark_ground_meets_wcag_aa(text, ground):
    """Every text is at least 4.5 to 1 on its ground."""
    assert theme.contrast_ratio(text, ground) >= 4.5


@pytest.mark.parametrize(("mark", "ground"), looks.DARK_MARK_ON_GROUND)
def test_marks_on_dark_ground_meet_wcag_aa(mark, ground):
    """Every line and point that carries meaning is at least 3 to 1 on its ground."""
    assert theme.contrast_ratio(mark, ground) >= 3


@pytest.mark.parametrize(
    ("ramp", "paper"),
    [
        (theme.ODDS_RAMP, theme.PAPER),
        (looks.DARK_RAMP, looks.DARK_PAPER),
        (looks.DARK_ODDS_RAMP, looks.DARK_PAPER),
    ],
)
def test_ramps_keep_their_order_in_grey(ramp, paper):
    """Each step stands out from the paper more than the one before."""
    against = [theme.contrast_ratio(colour, paper) for colour in ramp]
    assert against == sorted(against)
    assert all(b / a > 1.1 for a, b in pairwise(against))


def test_a_likely_week_is_marked_on_every_shade_it_can_have():
    """From odds of one in two on, the mark is 3 to 1 on the ramp, light and dark."""
    upper = len(theme.ODDS_RAMP) // 2
    for colour in theme.ODDS_RAMP[upper:]:
        assert theme.contrast_ratio(theme.SHADE_INK, colour) >= 3
    for colour in looks.DARK_ODDS_RAMP[upper:]:
        assert theme.contrast_ratio(looks.DARK[theme.SHADE_INK], colour) >= 3


def test_a_bare_figure_has_no_title_and_keeps_its_rows(spec):
    """The page says the title; values are the same in every look."""
    for look in LOOKS.values():
        seen = as_seen(spec, look)
        assert "title" not in seen
        assert seen["datasets"] == spec["datasets"]
        assert seen["description"] == spec["description"]


def test_no_light_colour_is_left_on_dark_ground(spec):
    """Each colour of the look has its own, ramps too."""
    dark = json.dumps({**as_seen(spec, LOOKS["wide-dark"]), "datasets": {}})
    for colour in (*looks.DARK, *theme.EXPOSURE_RAMP):
        assert colour not in dark
    assert looks.DARK_PAPER in dark


def test_a_compiled_figure_names_its_moments_as_numbers(spec):
    """The interpreter of expressions would take one number as a year."""
    text = json.dumps(compiled(as_seen(spec, LOOKS["narrow"])))
    assert "datetime(" not in text
    assert str(theme.milliseconds(pd.Timestamp("2024-01-01"))) in text


def test_an_svg_for_a_page_has_its_words(spec):
    """As a picture and as an image alone."""
    svg = svg_of(as_seen(spec, LOOKS["wide"]))
    assert 'role="img"' in svg
    assert "Birch: highest in the week of 22 Jan 2024." in svg


def test_packing_changes_no_pixel():
    """The same scan lines, in fewer bytes; other chunks stay."""
    pixels = b"".join(b"\0" + bytes([row]) * 300 for row in range(100))
    header = struct.pack(">IIBBBBB", 100, 100, 8, 2, 0, 0, 0)

    def chunk(kind: bytes, body: bytes) -> bytes:
        check = zlib.crc32(kind + body)
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", check)

    data = zlib.compress(pixels, 0)
    png = b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", header)
    png += chunk(b"IDAT", data[:500]) + chunk(b"IDAT", data[500:]) + chunk(b"IEND", b"")
    small = packed(png)
    assert len(small) < len(png) / 10
    at = small.index(b"IDAT")
    (length,) = struct.unpack(">I", small[at - 4 : at])
    assert zlib.decompress(small[at + 4 : at + 4 + length]) == pixels
    assert small.startswith(png[:33])
    assert small.endswith(chunk(b"IEND", b""))


def test_a_narrow_axis_names_every_second_month():
    """Fifteen months side by side would not fit a telephone: January and every other."""
    weeks = pd.date_range("2023-12-04", periods=60, freq="7D")
    wide, narrow = (theme.week_axis(weeks, width).to_dict() for width in (880, 330))
    assert "% 2 == 0" in narrow["labelExpr"]
    assert "% 2 == 0" not in wide["labelExpr"]
    assert narrow["values"] == wide["values"]
    assert isinstance(theme.week_axis(weeks), alt.Axis)
