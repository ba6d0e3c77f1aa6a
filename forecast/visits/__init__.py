"""Visits: reading a practice's exports, the case definition, counts kept as dated vintages."""

from __future__ import annotations

from forecast.visits.counts import counts_as_known, make_vintage
from forecast.visits.importing import (
    import_branches,
    import_closures,
    import_dogs,
    import_facts,
    import_scores,
    import_therapies,
    import_visits,
)
from forecast.visits.landing import ImportReport, take_back
from forecast.visits.rules import VisitError
from forecast.visits.visit_landing import accept_import

__all__ = [
    "ImportReport",
    "VisitError",
    "accept_import",
    "counts_as_known",
    "import_branches",
    "import_closures",
    "import_dogs",
    "import_facts",
    "import_scores",
    "import_therapies",
    "import_visits",
    "make_vintage",
    "take_back",
]
