"""NASA POWER's daily services as public clients recorded them, with invented numbers.

The tail of every series is the fill value, days past the last known one are left off with the
header's end moved back, a bad request is 422 with a reason, the regional service takes a single
parameter, and ``site-elevation`` adds a parameter that nobody asked for.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from local_server import Answer, Asked, Route

# parameter: unit in community AG, value on every day
PARAMETERS = {
    "T2M": ("C", 10.0),
    "T2M_MIN": ("C", 5.0),
    "T2M_MAX": ("C", 15.0),
    "T2MDEW": ("C", 4.0),
    "PRECTOTCORR": ("mm/day", 1.5),
    "RH2M": ("%", 70.0),
    "WS2M": ("m/s", 2.0),
    "WS10M": ("m/s", 3.0),
    "ALLSKY_SFC_SW_DWN": ("MJ/m^2/day", 8.64),
    "PS": ("kPa", 96.0),
}
FILL = -999.0
_COMMUNITIES = ("AG", "RE", "SB")


def value(parameter: str, day: date) -> float:
    """Return the invented value: its base and a tenth a weekday (radiation: none)."""
    base = PARAMETERS[parameter][1]
    return base if parameter.startswith("ALLSKY") else round(base + 0.1 * day.weekday(), 2)


@dataclass
class FakePower:
    """The service on a day.

    Attributes
    ----------
    today
        The day it is there; days after it do not exist.
    lag_days, radiation_lag_days
        The last so many days are the fill value.
    height
        Mean height of every grid cell [m].
    spoil
        Changes the tree before it is written, to play drift.
    """

    today: date = date(2026, 6, 10)
    lag_days: int = 3
    radiation_lag_days: int = 6
    height: float = 431.0
    spoil: Callable[[dict[str, Any]], None] | None = None

    def routes(self) -> dict[str, Route]:
        """Return what answers at which path."""
        return {
            "/api/temporal/daily/point": self._point,
            "/api/temporal/daily/regional": self._regional,
        }

    def _point(self, asked: Asked) -> Answer:
        names = asked.listed("parameters")
        problem = self._problem(asked, names)
        if len(names) > 20:
            problem = "A maximum of 20 parameters can be requested"
        if problem:
            return refusal(problem)
        place = [float(asked.one("longitude")), float(asked.one("latitude")), self.height]
        tree = {"type": "Feature", "geometry": {"type": "Point", "coordinates": place}}
        tree |= {"properties": {"parameter": self._series(asked, names)}}
        return self._answer(tree | self._rest(asked, names))

    def _regional(self, asked: Asked) -> Answer:
        names = asked.listed("parameters")
        problem = self._problem(asked, names)
        if len(names) != 1:
            problem = "Regional requests take exactly one parameter"
        if problem:
            return refusal(problem)
        cell = {
            "type": "Feature",
            "geometry": {"type": "Point", "coordinates": [8.125, 47.0, 712.0]},
        }
        cell |= {"properties": {"parameter": self._series(asked, names)}}
        return self._answer(
            {"features": [cell], **self._rest(asked, names), "type": "FeatureCollection"}
        )

    def _answer(self, tree: dict[str, Any]) -> Answer:
        if self.spoil is not None:
            self.spoil(tree)
        return Answer(body=json.dumps(tree).encode(), content_type="application/json")

    def _problem(self, asked: Asked, names: list[str]) -> str:
        if asked.one("community").upper() not in _COMMUNITIES:
            return "community: field required"
        unknown = [name for name in names if name not in PARAMETERS]
        if unknown:
            return f"One of your parameters is incorrect: {', '.join(unknown)}."
        if asked.one("user") == "anonymous":
            return "user: a reserved word"
        return ""

    def _days(self, asked: Asked) -> list[date]:
        first, last = (_day(asked.one(name)) for name in ("start", "end"))
        last = min(last, self.today)  # no error: the span is cut
        return [first + timedelta(days=n) for n in range((last - first).days + 1)]

    def _series(self, asked: Asked, names: list[str]) -> dict[str, dict[str, float]]:
        with_pressure = [*names, "PSC"] if asked.one("site-elevation") else names
        series = {}
        for name in with_pressure:
            lag = self.radiation_lag_days if name.startswith("ALLSKY") else self.lag_days
            known_to = self.today - timedelta(days=lag)
            series[name] = {
                f"{day:%Y%m%d}": 95.0
                if name == "PSC"
                else value(name, day)
                if day <= known_to
                else FILL
                for day in self._days(asked)
            }
        return series

    def _rest(self, asked: Asked, names: list[str]) -> dict[str, Any]:
        days = self._days(asked)
        header = {
            "title": "NASA/POWER Source Native Resolution Daily Data",
            "api": {"version": "v2.10.0", "name": "POWER Daily API"},
            "sources": ["POWER", "MERRA2"],
            "fill_value": FILL,
            "time_standard": asked.one("time-standard", "LST").upper(),
            "start": asked.one("start"),
            "end": f"{days[-1]:%Y%m%d}" if days else asked.one("start"),
        }
        units = {name: self._unit(asked, name) for name in names}
        named = {name: {"units": unit, "longname": name} for name, unit in units.items()}
        times = {"data": 0.41, "process": 0.03}
        return {"header": header, "messages": [], "parameters": named, "times": times}

    def _unit(self, asked: Asked, name: str) -> str:
        radiation = name.startswith("ALLSKY") and asked.one("community").upper() != "AG"
        return "kW-hr/m^2/day" if radiation else PARAMETERS[name][0]


def refusal(problem: str) -> Answer:
    """Return a refusal as the service writes it."""
    tree = {"header": "The POWER Daily API could not complete the request", "messages": [problem]}
    return Answer(422, json.dumps(tree).encode(), "application/json")


def _day(text: str) -> date:
    return date(int(text[:4]), int(text[4:6]), int(text[6:8]))
