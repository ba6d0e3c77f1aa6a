"""Doctor: looks at a practice and its machine from outside, and changes nothing.

Nothing is migrated, settled or made. (Where nobody else has the records open, SQLite folds its log
of changes into their file when the doctor closes them, as after any reading.) Each check stands by
itself, so that a broken practice is told about as a whole.
"""

from __future__ import annotations

from jobs.doctor.check import ATTENTION, FAILING, FINE, Check, State, exit_code
from jobs.doctor.examining import examine

__all__ = ["ATTENTION", "FAILING", "FINE", "Check", "State", "examine", "exit_code"]
