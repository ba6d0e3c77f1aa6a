"""What tests of staffing share."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from plan_by_hand import plan_by_hand

from forecast.staffing.kept_plan import KeptPlan


@pytest.fixture(scope="session")
def make_plan() -> Callable[..., KeptPlan]:
    """Give what makes a plan by hand."""
    return plan_by_hand
