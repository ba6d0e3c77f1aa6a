"""What `forepaw therapies` prints: the rules of each class of therapy, and those of every dog."""

from __future__ import annotations

from rich.text import Text

from forecast.dosing.rule_list import TEST, listed_rules, n_rules
from forecast.dosing.rules import Rules
from jobs.console import heading, new_table, paragraph, print_table


def show_rules(rules: Rules, whose: str) -> None:
    """Print every rule with its value, its status, its source and its test."""
    heading(f"Rules of therapies: {whose}")
    counted = ", ".join(f"{n} {status}" for status, n in n_rules(rules).items())
    paragraph(f"By how far each is known: {counted}.")
    paragraph(
        "A finding that is not known, or too old, puts the work-up first, whatever its row says. "
        "A practice sets its own in practice.toml, [[dosing.rule]]; a looser one needs a vet and a "
        "reason, and is printed on each plan."
    )
    for one in rules.loosened:
        paragraph(one.sentence, style="bold")
    for title, group in listed_rules(rules).items():
        heading(title)
        table = new_table("rule", "value", "status", "source, test")
        for rule in group:
            name, value, unit, status, source, test = rule.cells
            origin = Text.assemble(source, "\n", (test.partition("::")[2], "dim"))
            table.add_row(name.partition(".")[2], f"{value} {unit}".strip(), status, origin)
        print_table(table)
    heading("Tests")
    paragraph(f"They stand in {TEST.partition('::')[0]}.")
