"""What a forecast was worked out with: parameter tables by hash, packages by version."""

from __future__ import annotations

from collections.abc import Mapping
from importlib.metadata import version

from models.parameters import load_table

TABLES = (
    ("models", "allergens.toml"),
    ("models", "chill.toml"),
    ("models", "daylength.toml"),
    ("models", "exposure.toml"),
    ("models", "humidity.toml"),
    ("models", "traces.toml"),
    ("models.flare", "flare.toml"),
    ("models.season", "season.toml"),
)
PACKAGES = ("forepaw", "numba", "numpy", "pandas", "scipy", "scikit-learn", "xarray")
Versions = dict[str, dict[str, str]]


def versions() -> Versions:
    """Return the versions of today, by kind (``packages``, ``tables``) and name."""
    return {
        "packages": {name: version(name) for name in PACKAGES},
        "tables": {name: load_table(package, name).sha256 for package, name in TABLES},
    }


def changed(then: Mapping[str, Mapping[str, str]], now: Versions) -> tuple[str, ...]:
    """Name what differs between then and now, as ``name: then -> now``."""
    found = []
    for kind in now:
        old, new = then.get(kind, {}), now[kind]
        for name in sorted(set(old) | set(new)):
            if old.get(name) != new.get(name):
                was, is_now = (str(v.get(name, "not used"))[:12] for v in (old, new))
                found.append(f"{name} {was} -> {is_now}")
    return tuple(found)
