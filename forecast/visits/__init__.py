"""Visits: reading a practice's exports, the case definition, counts kept as dated vintages."""

from __future__ import annotations

from forecast.visits.counting.counts import counts_as_known, make_vintage
from forecast.visits.importing.files import (
    import_again,
    import_branches,
    import_closures,
    import_dogs,
    import_visits,
)
from forecast.visits.importing.landing import ImportReport, take_back
from forecast.visits.importing.patients import (
    import_facts,
    import_medicines,
    import_reactions,
    import_scores,
    import_tests,
    import_therapies,
    import_vaccinations,
)
from forecast.visits.importing.visit_landing import accept_import
from forecast.visits.rules import VisitError

__all__ = [
    "ImportReport",
    "VisitError",
    "accept_import",
    "counts_as_known",
    "import_again",
    "import_branches",
    "import_closures",
    "import_dogs",
    "import_facts",
    "import_medicines",
    "import_reactions",
    "import_scores",
    "import_tests",
    "import_therapies",
    "import_vaccinations",
    "import_visits",
    "make_vintage",
    "take_back",
]
