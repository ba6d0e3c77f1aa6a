"""Figures become files: valid, whole, with their words and every week on the axis."""

from __future__ import annotations

import struct
from xml.etree import ElementTree

import altair as alt
import numpy as np
import pandas as pd
import pytest

from forecast.charts.exposure import exposure_chart
from forecast.charts.fan import fan_chart
from forecast.charts.render import render
from forecast.charts.theme import ChartError

SVG = "{http://www.w3.org/2000/svg}"
TITLE = "Flare visits are likely to be high in May & June, with <odds> of two in three."
N_WEEKS = 60


def fan():
    week = pd.date_range("2023-12-04", periods=N_WEEKS, freq="7D")
    ahead = np.arange(N_WEEKS) >= 20
    usual = 5 + 4 * np.sin(np.arange(N_WEEKS) / 8)
    frame = pd.DataFrame({"week": week, "climatology": usual, "threshold": 8.0})
    frame["observed"] = np.where(ahead, np.nan, usual.round())
    for name, step in zip(
        ("lower_90", "lower_50", "median", "upper_50", "upper_90"), (-1, 0, 1, 2, 4), strict=True
    ):
        frame[name] = np.where(ahead, usual + step, np.nan)
    frame["high"] = ahead & (usual > 8)
    return fan_chart(frame, title=TITLE, source="Source line.")


def exposure():
    week = pd.date_range("2023-12-04", periods=N_WEEKS, freq="7D")
    frame = pd.DataFrame({"week": week, "allergen": "grasses", "exposure": np.arange(N_WEEKS) / 60})
    return exposure_chart(frame, title=TITLE, source="s", issued=pd.Timestamp("2024-04-01"))


@pytest.fixture(scope="module", params=[fan, exposure], ids=["fan", "exposure"])
def files(request, tmp_path_factory):
    folder = tmp_path_factory.mktemp("figures")
    return folder, *render(request.param(), folder / "north.week-14")


def texts(svg_path):
    root = ElementTree.parse(svg_path).getroot()  # noqa: S314 (our own file)
    return root, [" ".join(node.itertext()).strip() for node in root.iter(f"{SVG}text")]


def test_the_svg_is_valid_and_carries_the_title(files):
    """The file parses as XML and its texts hold the answer sentence, special signs and all."""
    _, words = texts(files[1])
    assert TITLE in " ".join(words)


def test_the_svg_has_a_text_alternative(files):
    """The root is an image with a label that begins with the answer; no mark has one of its own."""
    root, _ = texts(files[1])
    labels = [node.get("aria-label").split()[0] for node in root.iter() if node.get("aria-label")]
    assert labels == [TITLE.split()[0], "Title", "Subtitle"]
    assert root.get("role") == "img"
    assert root.get("aria-label").startswith(TITLE)
    assert root.find(f"{SVG}desc").text == root.get("aria-label")


def test_every_week_is_drawn_on_the_axis(files):
    """The drawn time axis has one tick a week and names each month once a year."""
    root, words = texts(files[1])
    ticks = [
        group
        for group in root.iter(f"{SVG}g")
        if group.get("class", "").endswith("role-axis-tick") and len(group) == N_WEEKS
    ]
    assert len(ticks) == 1
    months = [word.split()[0] for word in words if word.split()[:1] and word[:3] in MONTHS]
    assert [m for m in months if m in MONTHS][:14] == [*MONTHS[11:], *MONTHS, MONTHS[0]]


MONTHS = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"]


def test_the_png_is_valid_and_drawn_at_twice_the_size(files):
    """The file has the PNG signature and twice the SVG's width and height."""
    content = files[2].read_bytes()
    assert content[:8] == b"\x89PNG\r\n\x1a\n"
    width, height = struct.unpack(">II", content[16:24])
    root, _ = texts(files[1])
    assert width == pytest.approx(2 * float(root.get("width")), abs=2)
    assert height == pytest.approx(2 * float(root.get("height")), abs=2)


def test_names_keep_their_dots_and_nothing_else_is_left(files):
    """A stem with a dot keeps it, and no half-written file stays behind."""
    folder = files[0]
    assert sorted(path.name for path in folder.iterdir()) == [
        "north.week-14.png",
        "north.week-14.svg",
    ]


def test_a_figure_without_words_is_refused(tmp_path):
    """No description, no file."""
    bare = alt.Chart(alt.NamedData(name="none")).mark_point()
    with pytest.raises(ChartError, match="text alternative"):
        render(bare, tmp_path / "bare")
    assert list(tmp_path.iterdir()) == []


def test_a_failed_write_leaves_the_old_file(tmp_path, monkeypatch):
    """When the disk fails, the earlier figure is still whole and no rest is left."""
    old = tmp_path / "week.svg"
    old.write_text("old")

    def fail(_):
        raise OSError("no space left")

    monkeypatch.setattr("forecast.charts.render.os.fsync", fail)
    with pytest.raises(OSError, match="no space left"):
        render(exposure(), tmp_path / "week")
    assert [path.name for path in tmp_path.iterdir()] == ["week.svg"]
    assert old.read_text() == "old"
