"""Labelling: a sample of visits for vets to label blind, and what their labels say of the rules."""

from __future__ import annotations

from forecast.visits.labelling.agreement import Agreement, agree, score_against_truth
from forecast.visits.labelling.labels import Labels, read_labels
from forecast.visits.labelling.sample import (
    LabellingError,
    Sample,
    design_csv,
    draw_sample,
    read_design,
)
from forecast.visits.labelling.sheet import sheet_csv, sheet_rows, sheet_workbook

__all__ = [
    "Agreement",
    "LabellingError",
    "Labels",
    "Sample",
    "agree",
    "design_csv",
    "draw_sample",
    "read_design",
    "read_labels",
    "score_against_truth",
    "sheet_csv",
    "sheet_rows",
    "sheet_workbook",
]
