"""What `forepaw visits` prints: where a sheet is, what its labels say, the first count table."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import pandas as pd
from rich.table import Table

from forecast.visits.counting.overview import ROLES, certainty_shares, count_table, exclusion_counts
from forecast.visits.counting.volume import NOT_RECORDED, SORTS_OF_DAY
from forecast.visits.judging import Relearnt
from forecast.visits.labelling.agreement import ALL
from forecast.visits.labelling.desk import DrawnSheet, LabelReport
from forecast.visits.labelling.sheet import QUESTION
from jobs.console import console, heading, new_table, paragraph, print_table

SHOWN = 12  # findings, and visits that differ, named on the screen
TOO_FEW = "too few"


def _numbers_right(table: Table, first: int) -> None:
    for column in table.columns[first:]:
        column.justify = "right"


def show_sheet(drawn: DrawnSheet) -> None:
    """Print what was drawn and what to do with it."""
    sample = drawn.sample
    heading(f"{len(sample.rows)} visits to label ({sample.id}, {sample.definition})")
    table = new_table("verdict", "drawn", "stand for")
    _numbers_right(table, 1)
    for verdict, rows in sample.rows.groupby("stratum", sort=False):
        table.add_row(str(verdict), str(len(rows)), f"{rows['weight'].sum():,.0f}")
    print_table(table)
    paragraph(
        "The sheet shows what was done and written, not the verdict. Fill in flare and labeller, "
        "one file or one copy a vet, then give the files to `forepaw visits agree`."
    )
    paragraph(QUESTION)
    for path in (drawn.workbook, drawn.csv):
        console.print(f"  {path}", soft_wrap=True)


def show_labels(report: LabelReport) -> None:
    """Print sensitivity and predictive value, by year, branch and vet, and where vets disagree."""
    found = report.agreement
    findings = [f for f in report.labels.findings if f.severity != "note"]
    for finding in findings[:SHOWN]:
        paragraph(f"{finding.severity}: {finding.sentence}")
    if len(findings) > SHOWN:
        paragraph(f"... and {len(findings) - SHOWN} more")
    heading(f"The case definition beside labels ({report.sample.id})")
    paragraph(_labelled(report))
    if not found.same_definition:
        paragraph(
            f"The sample was drawn under {report.sample.definition}, another definition than the "
            "one in force; its labels still hold, with wider intervals."
        )
    everything = found.table.loc[found.table["group"] == ALL].iloc[0]
    paragraph(f"Sensitivity {share(everything, 'sensitivity')}: of flare visits, those it finds.")
    paragraph(
        f"Predictive value {share(everything, 'predictive_value')}: of what it finds, flare visits."
    )
    show_shares(found.table)
    _show_kappas(report)
    heading("Visits on which labellers, or label and definition, differ")
    paragraph(
        f"{len(found.disagreements)} on which labellers differ; {len(found.misjudged)} on which "
        "the definition differs from the label."
    )
    console.print(f"  {report.differences}", soft_wrap=True)


def _labelled(report: LabelReport) -> str:
    found = report.agreement
    parts = [f"{found.n_labelled} of {found.n_drawn} visits have a clear label"]
    parts += [f"{found.n_unsure} are unsure"] if found.n_unsure else []
    parts += [f"{report.labels.n_blank} rows are blank"] if report.labels.n_blank else []
    parts += [f"{found.n_gone} are no longer on record"] if found.n_gone else []
    return ", ".join(parts) + "."


def show_shares(shares: pd.DataFrame) -> None:
    """Print the table of shares: all visits first, then by year, branch and vet."""
    heading("By year, branch and vet (95 % interval)")
    table = new_table("", "labelled", "flares", "sensitivity", "predictive value")
    for row in shares.to_dict("records"):
        name = ALL if row["group"] == ALL else f"{row['group']} {row['of']}"
        numbers = (f"{row['visits']:,}", f"{row['flares']:,}")
        table.add_row(name, *numbers, share(row, "sensitivity"), share(row, "predictive_value"))
    print_table(table)


def share(row: pd.Series | Mapping[Any, Any], name: str) -> str:
    """Say a share with its interval, or that too few visits are labelled to tell it."""
    value, low, high = row[name], row[f"{name}_low"], row[f"{name}_high"]
    if math.isnan(value):
        return TOO_FEW
    return f"{100 * value:.0f} % ({100 * low:.0f}-{100 * high:.0f})"


def _show_kappas(report: LabelReport) -> None:
    heading("Where vets agree (Cohen's kappa of the drawn visits)")
    if not report.agreement.kappas:
        paragraph("One labeller: agreement needs two on the same visits.")
        return
    table = new_table("", "visits", "same answer", "kappa")
    for (one, other), kappa in report.agreement.kappas.items():
        told = "not defined: one answer throughout"
        if not math.isnan(kappa.value):
            told = f"{kappa.value:.2f} ({kappa.low:.2f} to {kappa.high:.2f})"
        table.add_row(f"{one} and {other}", str(kappa.n), f"{100 * kappa.agreed:.0f} %", told)
    print_table(table)


def show_counts(visits: pd.DataFrame, *, definition: str, flare_free_days: int) -> None:
    """Print what visits were made of, by year and branch, and how sure the verdicts are."""
    heading(f"Visits by year and branch ({definition})")
    table = new_table(
        "year", "branch", *(f"{role}s" if role != "other" else role for role in ROLES), "all"
    )
    _numbers_right(table, 2)
    for row in count_table(visits, flare_free_days=flare_free_days).to_dict("records"):
        counts = (f"{row[name]:,}" for name in (*ROLES, "visits"))
        table.add_row(str(row["year"]), str(row["branch"]), *counts)
    print_table(table)
    heading("How sure: certainty, and what is excluded")
    table = new_table("certainty", "visits", "share", "of these excluded")
    _numbers_right(table, 1)
    for row in certainty_shares(visits).to_dict("records"):
        if row["visits"]:
            told = (f"{row['visits']:,}", f"{100 * row['share']:.1f} %", f"{row['excluded']:,}")
            table.add_row(str(row["certainty"]), *told)
    print_table(table)
    for name, count in exclusion_counts(visits).items():
        paragraph(f"{name}: {count:,}")


def show_days(days: pd.DataFrame) -> None:
    """Print how many days each branch was open, closed for what reason, or without a record."""
    if days.empty:
        return
    heading("Days by year and branch")
    table = new_table("year", "branch", *SORTS_OF_DAY, "diary full")
    _numbers_right(table, 2)
    for row in days.to_dict("records"):
        numbers = (f"{row[name]:,}" for name in (*SORTS_OF_DAY, "full"))
        table.add_row(str(row["year"]), str(row["branch"]), *numbers)
    print_table(table)
    n_lost = int(days[NOT_RECORDED].sum())
    if n_lost:
        paragraph(
            f"On {n_lost:,} opening days no visit is recorded: the branch was closed for a reason "
            "not given, or visits are lost. List the closed ones with `forepaw import closures`."
        )


def show_relearnt(done: Relearnt) -> None:
    """Print what a change of the case definition did to the verdicts."""
    heading(f"Case definition in force: {done.version}")
    paragraph(f"{done.n_judged:,} visits were judged; earlier verdicts are kept beside these.")
    moved = done.changed
    if done.before is None or moved.empty:
        return
    moved = moved.loc[moved["before"] != moved["after"]]
    if moved.empty:
        paragraph(f"No visit is of another kind than by {done.before}.")
        return
    paragraph(f"Visits of another kind than by {done.before}:")
    table = new_table("was", "is", "visits")
    _numbers_right(table, 2)
    for row in moved.to_dict("records"):
        table.add_row(str(row["before"]), str(row["after"]), f"{row['visits']:,}")
    print_table(table)
    paragraph("`forepaw issue` counts and learns by it from now on.")
