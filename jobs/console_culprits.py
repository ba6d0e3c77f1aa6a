"""What is printed of the practice's odds: each driver at each lag, and what may be said of it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from forecast.culprits import CAUTION
from jobs.console import heading, new_table, paragraph, print_table
from models.culprits import Culprits, DogOdds
from models.parameters import load_table


def show_culprits(told: Culprits) -> None:
    """Print the sentence, the table, and what was left out."""
    heading("What flare visits follow, beyond the season")
    paragraph(told.sentence)
    if told.odds:
        table = new_table("", "days before the itch", "odds ratio", "9 in 10 between", "p", "q", "")
        for one in told.odds:
            known = bool(np.isfinite(one.p_value))
            table.add_row(
                one.driver,
                f"{one.window[0]}-{one.window[1]}",
                f"{one.odds_ratio:.2f}" if np.isfinite(one.odds_ratio) else "none",
                f"{one.low:.2f}-{one.high:.2f}" if known else "not known",
                f"{one.p_value:.3f}" if known else "",
                f"{one.q_value:.3f}" if known else "",
                one.verdict,
            )
        print_table(table)
        paragraph(
            "Of one standard deviation more than usual for the place and the week of the year."
        )
    paragraph(
        f"{told.given} flare visits; left out: {told.covered} of dogs under cover, {told.alone} "
        "without another day to compare or without known exposure."
    )
    paragraph(CAUTION)


def show_dog(number: str, own: Sequence[DogOdds]) -> None:
    """Print one dog's odds, or that the practice's stand where it has too few episodes."""
    heading(f"Dog {number}")
    episodes = max((one.episodes for one in own), default=0)
    least = int(load_table("models.culprits", "culprits.toml").number("dog.least_episodes"))
    if not any(one.whose == "dog" for one in own):
        paragraph(
            f"{episodes} episodes can be compared; below {least} the practice's odds stand for it."
        )
        return
    table = new_table("", "days before the itch", "odds ratio", "9 in 10 between")
    for one in own:
        table.add_row(
            one.driver,
            f"{one.window[0]}-{one.window[1]}",
            f"{one.odds_ratio:.2f}",
            f"{one.low:.2f}-{one.high:.2f}",
        )
    print_table(table)
    paragraph(
        f"From {episodes} episodes of its own, drawn to the practice's odds; no diagnosis, and "
        "nothing for a letter."
    )
