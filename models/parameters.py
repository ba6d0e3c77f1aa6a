"""Parameter tables: every physical or clinical number with its unit, source and status.

A table is a TOML file beside the module that reads it. Each leaf is a small table with the keys
``value``, ``unit``, ``source`` and ``status``; the tables above it only group leaves. Nothing
inside a function carries a physical number of its own, so a reader who doubts a number finds it,
with its origin, in one place.
"""

from __future__ import annotations

import difflib
import hashlib
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any, Literal, cast, get_args

from models.errors import ForepawError

Status = Literal[
    "published", "as commonly implemented", "common practice", "assumed", "from memory", "fitted"
]
Value = float | int | str | bool | list[Any]

_LEAF_KEYS = {"value", "unit", "source", "status"}


class ParameterError(ForepawError):
    """A parameter table is malformed, or a name asked of it does not exist."""


@dataclass(frozen=True)
class Parameter:
    """One number (or word, or list) of a table, with where it comes from.

    Attributes
    ----------
    value
        The value itself.
    unit
        Unit in CF spelling, ``"1"`` where there is none.
    source
        Author, year and place in the source; or who assumed it and why.
    status
        How far the value was verified, one of :data:`Status`.
    """

    value: Value
    unit: str
    source: str
    status: Status

    @property
    def number(self) -> float:
        """The value as a float; raises `ParameterError` where it is not a number."""
        if isinstance(self.value, bool) or not isinstance(self.value, int | float):
            raise ParameterError(f"a number was asked, the table holds {self.value!r}")
        return float(self.value)


@dataclass(frozen=True)
class ParameterTable:
    """A parsed table: dotted names to parameters, and the hash of the text it was read from."""

    name: str
    parameters: Mapping[str, Parameter]
    sha256: str

    def __getitem__(self, key: str) -> Parameter:
        """Return the parameter of that dotted name; the error names the nearest right ones."""
        try:
            return self.parameters[key]
        except KeyError:
            near = difflib.get_close_matches(key, self.parameters, n=3)
            hint = f"; did you mean {', '.join(near)}?" if near else ""
            raise ParameterError(f"table {self.name} has no parameter {key!r}{hint}") from None

    def number(self, key: str) -> float:
        """Return the value of that name as a float."""
        return self[key].number

    def groups(self) -> list[str]:
        """Return the first parts of the dotted names, in the order of the file."""
        return list(dict.fromkeys(key.split(".")[0] for key in self.parameters))

    def group(self, prefix: str) -> dict[str, Parameter]:
        """Return the parameters below a prefix, keyed by the rest of their name."""
        start = prefix + "."
        return {k.removeprefix(start): p for k, p in self.parameters.items() if k.startswith(start)}


def parse_table(text: str, name: str) -> ParameterTable:
    """Parse the text of a parameter table.

    Parameters
    ----------
    text
        TOML text.
    name
        Name used in error sentences, usually the file's.

    Raises
    ------
    ParameterError
        If the text is no TOML, or a leaf lacks one of its four keys, has another one, or has an
        unknown status.
    """
    try:
        tree = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise ParameterError(f"{name} is not TOML: {error}") from error
    leaves = dict(_leaves(tree, "", name))
    return ParameterTable(name, leaves, hashlib.sha256(text.encode()).hexdigest())


@cache
def load_table(package: str, file_name: str) -> ParameterTable:
    """Read and parse a table that is shipped inside a package, once per process."""
    text = files(package).joinpath(file_name).read_text(encoding="utf-8")
    return parse_table(text, file_name)


def _leaves(node: dict[str, Any], prefix: str, name: str) -> Iterator[tuple[str, Parameter]]:
    for key, child in node.items():
        path = f"{prefix}{key}"
        if not isinstance(child, dict):
            raise ParameterError(
                f"{name}: {path} is the bare value {child!r}; write it as a table with "
                "value, unit, source and status"
            )
        if "value" in child:
            yield path, _parameter(child, path, name)
        else:
            yield from _leaves(child, path + ".", name)


def _parameter(leaf: dict[str, Any], path: str, name: str) -> Parameter:
    if set(leaf) != _LEAF_KEYS:
        wrong = sorted(set(leaf) ^ _LEAF_KEYS)
        raise ParameterError(
            f"{name}: {path} must have exactly value, unit, source and status; see {wrong}"
        )
    if leaf["status"] not in get_args(Status):
        raise ParameterError(
            f"{name}: {path} has status {leaf['status']!r}; "
            f"allowed are {', '.join(get_args(Status))}"
        )
    return Parameter(leaf["value"], leaf["unit"], leaf["source"], cast(Status, leaf["status"]))
