"""The catalogue of allergens: what drives the season of each, and how sure that is.

Every value stands in ``allergens.toml`` with its unit, source and status. Where nothing is
published the value is marked *assumed* and the spread of the onset is wide; nothing in the code
treats an assumed value as better known than that.
"""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import Literal, cast, get_args

from models.errors import ForepawError
from models.parameters import Parameter, ParameterTable, load_table

Family = Literal[
    "heat sum",
    "chill then heat",
    "day length",
    "weather index",
    "absolute humidity",
    "flea development",
]

_INDOOR: tuple[Family, ...] = ("absolute humidity", "flea development")
_DESCRIPTIVE = ("name", "family", "native_to", "indicator", "evidence")


class AllergenError(ForepawError):
    """An allergen that the catalogue does not hold, or a description that lacks something."""


@dataclass(frozen=True)
class Allergen:
    """One allergen group and the parameters of its season.

    Attributes
    ----------
    id
        Short name used in files and settings.
    name
        Name for people.
    family
        What drives its season, one of :data:`Family`; each has a file in `models.season`.
    parameters
        The numbers of its season, by name.
    native_to
        Areas of ``areas.toml`` where the plant grows and the parameters may serve; whether a place
        is likely to have it is said by `models.proposal`.
    indicator
        Flowering species whose early or late places it is taken to share; None for none.
    evidence
        One sentence on how well the season model is supported.
    """

    id: str
    name: str
    family: Family
    parameters: Mapping[str, Parameter]
    native_to: tuple[str, ...]
    indicator: str | None
    evidence: str

    @property
    def is_airborne(self) -> bool:
        """Whether it comes through the air outdoors, so that rain and wind let it loose or not."""
        return self.family not in _INDOOR

    def number(self, name: str) -> float:
        """Return a parameter as a float.

        Raises
        ------
        AllergenError
            If the allergen has no parameter of that name.
        """
        return self._parameter(name).number

    def text(self, name: str) -> str:
        """Return a parameter as text; raises as `number` does."""
        return str(self._parameter(name).value)

    def _parameter(self, name: str) -> Parameter:
        try:
            return self.parameters[name]
        except KeyError:
            raise AllergenError(
                f"allergen {self.id!r} has no parameter {name!r}; "
                f"it has {', '.join(sorted(self.parameters))}"
            ) from None


@cache
def catalogue() -> dict[str, Allergen]:
    """Return all allergens by id, in the order of the table."""
    table = load_table("models", "allergens.toml")
    return {identity: read_allergen(table, identity) for identity in table.groups()}


def allergen(identity: str) -> Allergen:
    """Return one allergen.

    Raises
    ------
    AllergenError
        If the catalogue has none of that id; the sentence names the nearest and all known ones.
    """
    known = catalogue()
    if identity in known:
        return known[identity]
    near = difflib.get_close_matches(identity, known, n=1)
    hint = f"; did you mean {near[0]!r}?" if near else ""
    raise AllergenError(f"no allergen is called {identity!r}{hint} (known: {', '.join(known)})")


def read_allergen(table: ParameterTable, identity: str) -> Allergen:
    """Read one group of a parameter table as an allergen.

    Raises
    ------
    AllergenError
        If a descriptive entry is lacking or the family is unknown.
    """
    entries = table.group(identity)
    lacking = [name for name in _DESCRIPTIVE if name not in entries]
    if lacking:
        raise AllergenError(f"{table.name}: allergen {identity!r} lacks {', '.join(lacking)}")
    family = entries["family"].value
    if family not in get_args(Family):
        raise AllergenError(
            f"{table.name}: allergen {identity!r} has the family {family!r}; "
            f"allowed are {', '.join(get_args(Family))}"
        )
    native = cast(list[str], entries["native_to"].value)
    return Allergen(
        id=identity,
        name=str(entries["name"].value),
        family=cast(Family, family),
        parameters={k: p for k, p in entries.items() if k not in _DESCRIPTIVE},
        native_to=tuple(native),
        indicator=str(entries["indicator"].value) or None,
        evidence=str(entries["evidence"].value),
    )
