"""Outputs: what an issue leaves in the outbox, the long table and its figures."""

from __future__ import annotations

from pathlib import Path

from forecast.charts.render import render
from forecast.figures import figures
from forecast.hub import write_hub_table
from forecast.issuing import Issue
from forecast.practice import Practice


def write_outputs(practice: Practice, issue: Issue) -> list[Path]:
    """Write forecast.csv and every figure as SVG and PNG; return their paths."""
    folder = practice.outbox_folder / issue.id
    folder.mkdir(parents=True, exist_ok=True)
    written: list[Path] = []
    if issue.has_visits:
        table = folder / "forecast.csv"
        write_hub_table(issue.forecast, table)
        written.append(table)
    for name, chart in figures(practice, issue):
        written += render(chart, folder / name)
    return written
