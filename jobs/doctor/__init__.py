"""Doctor: looks at a practice and its machine from outside, and changes nothing.

Nothing is migrated, settled or made. Each check stands by itself, so that a broken practice is told
about as a whole.
"""

from __future__ import annotations

from jobs.doctor.check import ATTENTION, FAILING, FINE, Check, State, exit_code
from jobs.doctor.examining import examine

__all__ = ["ATTENTION", "FAILING", "FINE", "Check", "State", "examine", "exit_code"]
