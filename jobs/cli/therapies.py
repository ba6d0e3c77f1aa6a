"""Therapies: every rule by which a dog is ready for one or not, with its source and its test."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from jobs.cli.options import PracticeFolder

if TYPE_CHECKING:
    from forecast.dosing.rules import Rules


def therapies(
    practice: PracticeFolder = Path(),
    as_csv: Annotated[
        bool, typer.Option("--csv", help="Print it as CSV, every source in full.")
    ] = False,
) -> None:
    """Show every stop, limit and caution: rule, source, status, test; with the practice's own.

    In a folder that is no practice, the rules as they are shipped.
    """
    from forecast.dosing.rule_list import rules_csv
    from jobs.console_therapies import show_rules

    rules, whose = _rules(practice)
    if as_csv:
        print(rules_csv(rules), end="")
        return
    show_rules(rules, whose)


def _rules(folder: Path) -> tuple[Rules, str]:
    from forecast.dosing.rules import rules_of, shipped_rules
    from forecast.practice import open_practice
    from forecast.settings import SETTINGS_FILE

    if folder == Path() and not (folder / SETTINGS_FILE).exists():
        return shipped_rules(), "as shipped"
    opened = open_practice(folder)
    return rules_of(opened), opened.settings.practice.name
