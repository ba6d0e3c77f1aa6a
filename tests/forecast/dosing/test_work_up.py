"""Checks in words: whatever reason a plan may have can be counted and shown."""

from __future__ import annotations

import ast
from pathlib import Path

import forecast.dosing
from forecast.dosing.work_up import check_words


def test_every_reason_of_a_plan_has_words_for_its_check():
    """A code without words would stop the list of what holds dogs up."""
    codes = set()
    for path in Path(forecast.dosing.__file__).parent.glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "Reason":
                codes |= {arg.value for arg in node.args[:1] if isinstance(arg, ast.Constant)}
    assert len(codes) > 20
    for code in codes:
        assert check_words(code)
