"""The daily weather variables of the house, with unit, CF names and plausible limits."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

from models.parameters import ParameterTable, load_table

HOURS, SECONDS_A_DAY = 24, 86_400
_KELVIN = -273.15
# Unit as written in a file -> (factor, addend) to the house unit. Pure conversions, no physics.
_CONVERSIONS: dict[str, dict[str, tuple[float, float]]] = {
    "degC": {
        **dict.fromkeys(("degC", "celsius", "degrees_celsius", "deg C", "°C"), (1.0, 0.0)),
        **dict.fromkeys(("K", "kelvin"), (1.0, _KELVIN)),
        **dict.fromkeys(("degF", "fahrenheit"), (5 / 9, -160 / 9)),
    },
    "mm/day": {
        **dict.fromkeys(("mm/day", "mm day-1", "mm d-1", "mm", "mm/d"), (1.0, 0.0)),
        **dict.fromkeys(("kg m-2", "kg m-2 day-1", "kg m-2 d-1"), (1.0, 0.0)),
        **dict.fromkeys(("kg m-2 s-1", "mm s-1", "mm/s"), (float(SECONDS_A_DAY), 0.0)),
        "cm": (10.0, 0.0),
        "m": (1000.0, 0.0),
    },
    "%": {**dict.fromkeys(("%", "percent"), (1.0, 0.0)), "1": (100.0, 0.0)},
    "m/s": {
        **dict.fromkeys(("m/s", "m s-1"), (1.0, 0.0)),
        **dict.fromkeys(("km/h", "km h-1"), (1 / 3.6, 0.0)),
    },
    "W m-2": {
        **dict.fromkeys(("W m-2", "W/m2", "W/m^2", "W m**-2"), (1.0, 0.0)),
        **dict.fromkeys(("MJ m-2 day-1", "MJ m-2 d-1", "MJ m-2"), (1e6 / SECONDS_A_DAY, 0.0)),
        **dict.fromkeys(("kWh m-2 day-1", "kWh m-2 d-1", "kWh m-2"), (1000 / HOURS, 0.0)),
        "J m-2": (1 / SECONDS_A_DAY, 0.0),
    },
}


@dataclass(frozen=True)
class Variable:
    """One daily weather variable; a file may be without one that is optional."""

    name: str
    unit: str
    long_name: str
    standard_name: str
    cell_methods: str
    lowest: float
    highest: float
    optional: bool = False

    @property
    def attributes(self) -> dict[str, str]:
        """The CF attributes of an array of this variable."""
        return {
            "units": self.unit,
            "long_name": self.long_name,
            "standard_name": self.standard_name,
            "cell_methods": self.cell_methods,
        }

    @property
    def units_read(self) -> list[str]:
        """The spellings of units that a file may use."""
        return list(_CONVERSIONS[self.unit])

    def conversion(self, unit: str) -> tuple[float, float] | None:
        """Return factor and addend from a file's unit to ours; None if the unit is not known."""
        spellings = {name.lower(): pair for name, pair in _CONVERSIONS[self.unit].items()}
        return spellings.get(unit.strip().lower())


@cache
def variables() -> dict[str, Variable]:
    """Return the weather variables by name."""
    table = load_table("forecast.climate", "variables.toml")
    found = {}
    for name in table.groups():
        leaves = table.group(name)
        texts = {
            key: str(leaves[key].value)
            for key in ("unit", "long_name", "standard_name", "cell_methods")
        }
        found[name] = Variable(
            name=name,
            lowest=leaves["lowest"].number,
            highest=leaves["highest"].number,
            optional="optional" in leaves and bool(leaves["optional"].value),
            **texts,
        )
    return found


def rules() -> ParameterTable:
    """Return the table of how weather files are judged and read."""
    return load_table("forecast.climate", "rules.toml")
