"""The languages alerts are written in; their catalogues stand in `locales/`."""

from __future__ import annotations

from forecast.alerts import messages
from forecast.languages import Catalogues, Language

CATALOGUES = Catalogues("forecast.alerts", messages.all_messages())


def language(code: str) -> Language:
    """Return a language, English where no catalogue speaks it whole."""
    return CATALOGUES.language(code)
