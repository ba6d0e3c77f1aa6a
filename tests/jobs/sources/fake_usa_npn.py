"""The USA National Phenology Network's observation service, with invented observations.

-9999 is missing in any field, number or text; nothing found is ``[]``; array parameters count from
one in brackets; names may end in blanks; x is the latitude. The reply is one big array.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from typing import Any

from local_server import Answer, Asked, Route

MISSING = -9999


def seen(
    plant: int,
    day: str,
    status: Any,
    *,
    phase: int = 502,
    species: int = 97,
    latitude: Any = 41.71,
    longitude: Any = -72.66,
    metres: Any = 31,
) -> dict[str, Any]:
    """Return one observation as the service writes it."""
    return {
        "observation_id": 40_000_000 + plant,
        "update_datetime": MISSING,
        "site_id": 5511,
        "latitude": latitude,
        "longitude": longitude,
        "elevation_in_meters": metres,
        "state": "CT",
        "species_id": species,
        "genus": "Betula",
        "species": "alleghaniensis",
        "common_name": "yellow birch ",
        "kingdom": "Plantae",
        "individual_id": plant,
        "phenophase_id": phase,
        "phenophase_description": "Pollen release (flowers) ",
        "observation_date": day,
        "day_of_year": MISSING,
        "phenophase_status": status,
        "intensity_category_id": 51,
        "intensity_value": MISSING,
        "abundance_value": MISSING,
    }


def observations() -> list[dict[str, Any]]:
    """Return three birches with onsets on 26, 28 and 30 April, and what is no onset."""
    return [
        seen(1, "2026-04-20", 0),
        seen(1, "2026-04-26", 1),
        seen(1, "2026-05-02", 1),
        seen(2, "2026-04-27", 0),
        seen(2, "2026-04-28", 1),
        seen(3, "2026-04-22", 0),
        seen(3, "2026-04-25", -1),  # unsure is neither
        seen(3, "2026-04-30", 1),
        seen(4, "2026-04-10", 1),  # nobody looked before
        seen(5, "2026-02-10", 0),  # the look was too long before
        seen(5, "2026-04-12", 1),
        seen(6, "2026-04-11", MISSING),
        seen(7, "2026-04-01", 0, latitude=45.0),  # far away
        seen(7, "2026-04-03", 1, latitude=45.0),
        seen(8, "2026-04-01", 0, metres=900),  # far above
        seen(8, "2026-04-03", 1, metres=900),
    ]


@dataclass
class FakeNpn:
    """The service with these observations."""

    held: list[dict[str, Any]] = field(default_factory=observations)

    def routes(self) -> dict[str, Route]:
        """Return what answers at which path."""
        return {"/npn_portal/observations/getObservations.json": self._answer}

    def _answer(self, asked: Asked) -> Answer:
        if not asked.one("request_src"):
            return Answer(400, b'{"response_messages":"request_src is required"}')
        species = {int(v[0]) for name, v in asked.query.items() if name.startswith("species_id[")}
        south, north = float(asked.one("bottom_left_x1")), float(asked.one("upper_right_x2"))
        first, last = asked.one("start_date"), asked.one("end_date")
        rows = [
            row
            for row in self.held
            if row["species_id"] in species
            and first <= row["observation_date"] <= last
            and south <= row["latitude"] <= north
        ]
        return Answer(body=json.dumps(rows).encode(), content_type="application/json")
