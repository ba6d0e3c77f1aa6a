"""The German weather service's open data: the pollen index, and what observers of plants report.

The index is one file whose days run from the date inside it ("Uhr", German local time), with parts
of regions and "-1". Observers' files are padded with blanks, end each row in ``eor``, and come in
Latin-1 or UTF-8; folders are plain listings.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from local_server import Answer, Asked, Route

PLANTS = ("Hasel", "Erle", "Esche", "Birke", "Graeser", "Roggen", "Beifuss", "Ambrosia")
CLASSES = ("0", "0-1", "1", "1-2", "2", "2-3", "3")
_ROOT = "/climate_environment/CDC"


def legend() -> dict[str, str]:
    """Return the legend of the index."""
    named = {f"id{n}": text for n, text in enumerate(CLASSES, start=1)}
    return named | {f"id{n}_desc": f"Belastung {n}" for n in range(1, 8)}


@dataclass
class FakePollenIndex:
    """The index as of a day.

    Attributes
    ----------
    last_update
        As written in the file.
    today, tomorrow, day_after
        Class of birch in each area; other plants are "0", and "-1" on the day after.
    spoil
        Changes the tree before it is written.
    """

    last_update: str = "2026-06-10 11:00 Uhr"
    today: str = "2-3"
    tomorrow: str = "3"
    day_after: str = "-1"
    spoil: Callable[[dict[str, Any]], None] | None = None

    def routes(self) -> dict[str, Route]:
        """Return what answers at which path."""
        return {"/climate_environment/health/alerts/s31fg.json": lambda _: self.answer()}

    def tree(self) -> dict[str, Any]:
        """Return the file as a tree."""
        return {
            "name": "Pollenflug-Gefahrenindex für Deutschland",
            "sender": "Deutscher Wetterdienst - Medizin-Meteorologie",
            "last_update": self.last_update,
            "next_update": "2026-06-11 11:00 Uhr",
            "legend": legend(),
            "content": [
                self._area(50, "Brandenburg und Berlin ", -1, ""),
                self._area(30, "Niedersachsen und Bremen", 31, "Westl. Niedersachsen/Bremen"),
                self._area(30, "Niedersachsen und Bremen", 32, "Östl. Niedersachsen"),
                self._area(20, "Mecklenburg-Vorpommern ", -1, ""),
            ],
        }

    def _area(self, region: int, name: str, part: int, part_name: str) -> dict[str, Any]:
        plants = {plant: {"today": "0", "tomorrow": "0", "dayafter_to": "-1"} for plant in PLANTS}
        birch = (self.today, self.tomorrow, self.day_after)
        plants["Birke"] = dict(zip(("today", "tomorrow", "dayafter_to"), birch, strict=True))
        if part == 32:
            plants["Birke"]["today"] = "1-2"
        return {
            "region_id": region,
            "region_name": name,
            "partregion_id": part,
            "partregion_name": part_name,
            "Pollen": plants,
        }

    def answer(self) -> Answer:
        """Return the file as the server gives it."""
        tree = self.tree()
        if self.spoil is not None:
            self.spoil(tree)
        return _tagged(json.dumps(tree, ensure_ascii=False).encode(), "application/json")


# station: name, latitude, longitude, metres
OBSERVERS = {
    12132: ("Berlin-Buch", 52.63, 13.50, 60),
    12133: ("Köpenick", 52.44, 13.58, 35),
    12134: ("Müggelheim", 52.41, 13.66, 36),
    12135: ("Brocken", 51.80, 10.62, 1134),
}
# plant, reporters, span: rows of station, year, phase, day YYYYMMDD, flag, day of the year
Row = tuple[int, int, int, str, int, int]


def _files() -> dict[str, list[Row]]:
    empty: list[Row] = []
    immediate = {
        "Hasel": [
            (12132, 2026, 5, "20260128", 1, 28),
            (12133, 2026, 5, "20260120", 1, 20),
            (12134, 2026, 5, "20260124", 1, 24),
            (12135, 2026, 5, "20260301", 1, 60),  # far away
            (12132, 2026, 6, "20260215", 1, 46),
            (12133, 2026, 6, "20260101", 7, 1),  # objected to
        ],
        "Haenge-Birke": [
            (12132, 2026, 4, "20260401", 1, 91),  # leaves, no flowers
            (12132, 2026, 5, "20260408", 1, 98),
            (12133, 2026, 5, "20260410", 1, 100),
        ],
        "Forsythie": [(12132, 2026, 5, "20260318", 1, 77)],
    }
    annual = {"Hasel": [(12132, 2025, 5, "20250205", 1, 36)]}
    others = ("Schwarz-Erle", "Wiesen-Fuchsschwanz", "Wiesen-Knaeuelgras", "Huflattich")
    files = {f"immediate/recent/{plant}": rows for plant, rows in immediate.items()}
    files |= {f"annual/recent/{plant}": rows for plant, rows in annual.items()}
    for plant in (*others, *immediate):
        for folder in ("immediate/recent", "annual/recent", "annual/historical"):
            files.setdefault(f"{folder}/{plant}", empty)
    files["annual/historical/Hasel"] = [(12132, 2010, 5, "20100309", 1, 68)]
    return files


@dataclass
class FakePhenology:
    """The observers' reports.

    Attributes
    ----------
    files
        Rows by "reporters/span/plant".
    encoding
        Of all files.
    changed
        Text put for another in every data file.
    header
        The headings of data files.
    """

    files: dict[str, list[Row]] = field(default_factory=_files)
    encoding: str = "latin-1"
    changed: dict[str, str] = field(default_factory=dict)
    header: str = (
        "Stations_id;Referenzjahr;Qualitaetsniveau;Objekt_id;Phase_id;Eintrittsdatum;"
        "Eintrittsdatum_QB;Jultag;eor;"
    )
    object_ids: dict[str, int] = field(default_factory=lambda: {"Hasel": 113})

    def routes(self) -> dict[str, Route]:
        """Return what answers at which path."""
        return {
            f"{_ROOT}/help/": self._stations,
            f"{_ROOT}/observations_germany/phenology/": self._folder_or_file,
        }

    def _stations(self, asked: Asked) -> Answer:
        head = (
            "Stations_id; Stationsname; geograph.Breite; geograph.Laenge; Stationshoehe;"
            "Naturraumgruppe_Code;Naturraumgruppe;Naturraum_Code;Naturraum;"
            "Datum Stationsaufloesung;Bundesland;eor;"
        )
        rows = [
            f"{number:10};{name:30};{latitude:10.4f};{longitude:10.4f};{metres:8};  40; Mark;  "
            f"4001; Platte;          ; Berlin;eor;"
            for number, (name, latitude, longitude, metres) in OBSERVERS.items()
        ]
        return self._text([head, *rows, "\x1a"])

    def _folder_or_file(self, asked: Asked) -> Answer:
        parts = asked.path.removeprefix(f"{_ROOT}/observations_germany/phenology/").split("/")
        reporters, span, name = parts[0].removesuffix("_reporters"), parts[2], parts[3]
        names = self._names(reporters, span)
        if not name:
            links = [f'<a href="{file}">{file}</a> 26-Nov-2026 08:25 12345' for file in names]
            page = "<html><head><title>Index</title></head><body><pre>\n"
            page += "\n".join(['<a href="../">../</a>', '<a href="?C=N">N</a>', *links])
            return Answer(body=(page + "</pre></body></html>").encode(), content_type="text/html")
        if name not in names:
            return Answer(404, b"")
        return self._data(f"{reporters}/{span}/{names[name]}")

    def _names(self, reporters: str, span: str) -> dict[str, str]:
        """Return file names and plants of a folder; an older edition of a file stays there."""
        people = "Sofortmelder" if reporters == "immediate" else "Jahresmelder"
        plants = [k.split("/")[2] for k in self.files if k.startswith(f"{reporters}/{span}/")]
        names = {}
        for plant in plants:
            start = f"PH_{people}_Wildwachsende_Pflanze_{plant}"
            if span == "recent":
                names[f"{start}_akt.txt"] = plant
            else:
                names[f"{start}_1925_2024_hist.txt"] = plant
                names[f"{start}_1925_2023_hist.txt"] = plant
                names[f"{start}_Spezifizierung_1925_2024_hist.txt"] = f"{plant}_Spezifizierung"
        return names

    def _data(self, key: str) -> Answer:
        plant = key.split("/")[2]
        number = self.object_ids.get(plant, 200)
        rows = [
            f"{station:11};{year:12};{7:16};{number:9};{phase:8};{day:>15};{flag:17};{jultag:6};eor;"
            for station, year, phase, day, flag, jultag in self.files[key]
        ]
        return self._text([self.header, *rows], changed=True)

    def _text(self, lines: list[str], *, changed: bool = False) -> Answer:
        text = "\r\n".join([*lines, ""])
        for old, new in self.changed.items() if changed else ():
            text = text.replace(old, new)
        return _tagged(text.encode(self.encoding), "text/plain")


def _tagged(body: bytes, content_type: str) -> Answer:
    tag = hashlib.sha256(body).hexdigest()[:12]
    return Answer(body=body, content_type=content_type, headers={"ETag": f'"{tag}"'})
