"""Looks of one figure on a page: wide or narrow, on light or on dark ground, as a picture or live.

A page says title, sources and notes itself, so its figures are bare. Dark ground is a change of
colours in the specification, one for one; what is darker for more there is lighter for more here.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from forecast.charts import theme

DARK_PAPER = "#1a222b"
DARK: dict[str, str] = {
    theme.PAPER: DARK_PAPER,
    theme.INK: "#e8ecf0",
    theme.MUTED: "#a9b4c0",
    theme.HAIRLINE: "#2d3844",
    theme.FORECAST: "#b4d0f0",
    theme.BAND_INNER: "#3f6491",
    theme.BAND_OUTER: "#263a50",
    theme.USUAL: "#dfe5eb",
    theme.AXIS: "#8b98a6",
    theme.HIGH: "#f0d8f8",
    theme.HIGH_GROUND: "#3d371a",
    theme.SHADE_INK: "#0b1016",
}
DARK_RAMP = ("#26303a", "#2c3f66", "#545d72", "#7f7c78", "#aba169", "#d8c753", "#fee838")
DARK_ODDS_RAMP = ("#26303a", "#33508c", "#2a788e", "#35b779", "#b5de2b", "#fde725")
# Pairs on dark ground that the tests hold to WCAG AA, as theme.TEXT_ON_GROUND does on light.
DARK_TEXT_ON_GROUND = tuple((DARK[a], DARK[b]) for a, b in theme.TEXT_ON_GROUND)
DARK_MARK_ON_GROUND = tuple((DARK[a], DARK[b]) for a, b in theme.MARK_ON_GROUND)
PADDING = 4


@dataclass(frozen=True)
class Look:
    """How a figure is drawn for a page; `name` stands in its address."""

    is_narrow: bool = False
    is_dark: bool = False

    @property
    def name(self) -> str:
        """Its name: ``wide``, ``wide-dark``, ``narrow`` or ``narrow-dark``."""
        return ("narrow" if self.is_narrow else "wide") + ("-dark" if self.is_dark else "")

    @property
    def width(self) -> int:
        """Width of the plot."""
        return theme.NARROW if self.is_narrow else theme.WIDTH


LOOKS = {
    look.name: look for look in (Look(), Look(False, True), Look(True, False), Look(True, True))
}


def as_seen(spec: Mapping[str, Any], look: Look) -> dict[str, Any]:
    """Return a figure's specification as a page shows it: bare, and in the colours of the look."""
    bare = {key: value for key, value in spec.items() if key != "title"} | {"padding": PADDING}
    return _recoloured(bare) if look.is_dark else bare


def _recoloured(part: Any) -> Any:
    if isinstance(part, Mapping):
        return {
            key: value if key in ("datasets", "description") else _recoloured(value)
            for key, value in part.items()
        }
    if isinstance(part, list | tuple):
        if tuple(part) == theme.EXPOSURE_RAMP:
            return list(DARK_RAMP)
        if tuple(part) == theme.ODDS_RAMP:
            return list(DARK_ODDS_RAMP)
        return [_recoloured(value) for value in part]
    return DARK.get(part, part) if isinstance(part, str) else part
