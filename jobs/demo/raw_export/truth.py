"""What was truly so, beside the exports: for verification, never for a forecast."""

from __future__ import annotations

import numpy as np
import pandas as pd

from jobs.demo.invention import InventedPractice
from jobs.demo.raw_export.dirt import BOTH, CANCELLED, NO_BRANCH, TWICE_BILLED
from jobs.demo.raw_export.encounters import FLARE, NEW, OLD, Seen
from jobs.demo.raw_export.lines import VOIDED
from jobs.demo.raw_export.patients import merges
from jobs.demo.raw_export.tables import RATES, words
from jobs.demo.raw_export.vets import BANKS

NOT_YET_ENTERED = "not yet entered"
NO_BRANCH_AT_ALL = "no branch on any line that stands"
NOBODY_SEEN = "sold or charged, and nobody was seen"


def merge_list(lines: pd.DataFrame, seen: Seen) -> pd.DataFrame:
    """Return the numbers given up for others, as the practice found out: given_up, stays, why."""
    visits = lines[lines["encounter"] >= 0]
    of = pd.Series(seen.encounters["patient"].to_numpy()[visits["encounter"]], index=visits.index)
    held = {system: set(of[visits["system"] == system].tolist()) for system in (OLD, NEW)}
    return merges(seen.patients, held[OLD], held[NEW])


def true_visits(
    lines: pd.DataFrame,
    files: pd.Series,
    seen: Seen,
    invented: InventedPractice,
    merged: pd.DataFrame,
) -> pd.DataFrame:
    """Return a row a patient and day that was truly seen.

    Parameters
    ----------
    lines, files
        The lines of the exports, and the file that each went into.
    merged
        The numbers given up, as in the layouts.

    Returns
    -------
    pandas.DataFrame
        ``branch, date, patient`` name a visit as a perfect reader would (patient: the number that
        stays). ``dog`` is the number in the register, ``species`` what it is. ``kind`` is the true
        class: itch flare, recheck, scheduled dose or other; ``cause`` what an itch of class other
        came from. ``written`` says how well it was written down, ``bank`` in which bank's style,
        ``vet`` by whom. ``visit`` and ``file`` are the invoice that counts and where it stands.
        ``lost`` says why no reader can find it, if so, or that it was no visit but a sale.
        ``cancelled``, ``reopened``, ``both`` and ``late`` mark visits with something planted on
        them.
    """
    visits, patients = seen.encounters, seen.patients
    columns = ["encounter", "number", "patient", "branch", "dirt", "key"]
    live = lines.loc[(lines["encounter"] >= 0) & (lines["state"] != VOIDED), columns]
    live = live.assign(file=files)
    first = live.drop_duplicates("encounter").set_index("encounter").reindex(range(len(visits)))
    stands = (live["branch"] != "") & (live["dirt"] != CANCELLED)
    placed = live.loc[stands, "encounter"].unique()
    lost = np.where(np.isin(visits.index, placed), "", NO_BRANCH_AT_ALL)
    came = live.loc[stands & ~live["key"].isin(words("dirt.nobody_seen")), "encounter"].unique()
    lost = np.where((lost == "") & ~np.isin(visits.index, came), NOBODY_SEEN, lost)
    lost = np.where(first["number"].isna(), NOT_YET_ENTERED, lost)

    def planted(kind: str) -> np.ndarray:
        return np.isin(visits.index, lines.loc[lines["dirt"] == kind, "encounter"].unique())

    return pd.DataFrame(
        {
            "branch": invented.branches["id"].to_numpy(dtype=object)[visits["branch"]],
            "date": visits["date"],
            "patient": _followed(first["patient"], merged),
            "dog": visits["dog"].fillna(""),
            "species": patients["species"].to_numpy()[visits["patient"]],
            "kind": visits["kind"],
            "cause": visits["cause"],
            "written": visits["written"],
            "bank": np.array(BANKS, dtype=object)[seen.vets.bank[visits["vet"]]],
            "vet": seen.vets.code[visits["vet"]],
            "visit": first["number"].fillna("").to_numpy(),
            "file": first["file"].fillna("").to_numpy(),
            "lost": lost,
            "cancelled": planted(CANCELLED),
            "reopened": planted(TWICE_BILLED),
            "both": planted(BOTH),
            "late": visits["late"],
            "part_without_branch": planted(NO_BRANCH),
        }
    )


def _followed(numbers: pd.Series, merged: pd.DataFrame) -> np.ndarray:
    """Return the numbers that stay; a second number leads to an old one, that to a new one."""
    stays = merged.set_index("given_up")["stays"]
    for _ in range(2):
        numbers = numbers.map(stays).fillna(numbers)
    return numbers.fillna("").to_numpy(dtype=object)


def closure_table(truth: pd.DataFrame, invented: InventedPractice) -> pd.DataFrame:
    """Return days out of the ordinary as the practice lists them: branch, date, reason, full.

    Holidays of all branches that were open by then; long outages, which the practice calls works;
    and days on which a branch's room for itch visits was used up. Single lost weeks are not listed:
    nobody knows of them.
    """
    parts = [_holidays(truth, invented), _works(invented), _full(truth)]
    listed = pd.concat(parts, ignore_index=True)
    listed = listed[listed["date"] <= pd.Timestamp(invented.as_of)]
    once = listed.drop_duplicates(["branch", "date"])
    return once.sort_values(["date", "branch"], ignore_index=True)


def _holidays(truth: pd.DataFrame, invented: InventedPractice) -> pd.DataFrame:
    opened = truth.groupby("branch")["date"].min()
    both = invented.closures.merge(opened.rename("opened").reset_index(), how="cross")
    both = both[both["date"] >= both["opened"]]
    return both.assign(full="no")[["branch", "date", "reason", "full"]]


def _works(invented: InventedPractice) -> pd.DataFrame:
    lost = invented.missing_weeks.sort_values(["branch", "week"])
    gap = lost["week"].diff().dt.days.ne(7) | lost["branch"].ne(lost["branch"].shift())
    run = gap.cumsum()
    long = lost[run.map(run.value_counts()) >= RATES.number("dirt.outage_weeks")]
    days = long.loc[long.index.repeat(7)]
    date = days["week"] + pd.to_timedelta(np.tile(np.arange(7), len(long)), unit="D")
    return pd.DataFrame(
        {"branch": days["branch"], "date": date, "reason": "closed for works", "full": "no"}
    )


def _full(truth: pd.DataFrame) -> pd.DataFrame:
    flares = truth[truth["kind"] == FLARE].groupby(["branch", "date"]).size()
    full = flares[flares >= RATES.number("dirt.room")].reset_index()[["branch", "date"]]
    return full.assign(reason="diary full for itch", full="yes")
