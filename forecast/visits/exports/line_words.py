"""The practice's own words in an export: branches, statuses, species, items."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from forecast.sheets import same_heading
from forecast.sheets.collecting import categories
from forecast.toml_text import did_you_mean
from forecast.visits.exports.columns import ExportColumns
from forecast.visits.exports.layout import COUNTS, STATUSES, LayoutError
from forecast.visits.exports.line_arrays import export_rules
from forecast.visits.exports.questions import Question

DOG, OTHER = "dog", "other"
_SPECIES_NAMED = 5
DOG_WORDS = (
    *("dog", "dogs", "canine", "canis", "k9", "puppy", "bitch"),
    *("hund", "hunde", "hündin", "rüde", "welpe"),
)


class LineWords:
    """The words of one export, translated into ours."""

    def __init__(self, columns: ExportColumns, branches: Mapping[str, str]) -> None:
        self._columns, self._layout = columns, columns.layout
        self._branches = branches
        self._branch_words = self._known_branches()

    def branch(self) -> pd.Categorical:
        """Return our branch ids; "" where a word is not known."""
        alone = self._only_branch()
        known = self._branch_words
        return self._columns.column("branch").translated(
            lambda word: known.get(same_heading(word), "") if word else alone
        )

    def status(self) -> pd.Categorical:
        """Return counts, voided or reopened; "" where a word is not known."""
        known = {same_heading(word): word for word in STATUSES}
        known |= {same_heading(w): meaning for w, meaning in self._layout.statuses.items()}
        return self._columns.column("status").translated(
            lambda word: known.get(same_heading(word), "") if word else COUNTS
        )

    def species(self) -> pd.Categorical:
        """Return dog or other; "" where the cell is empty, as that tells of no other animal."""
        words = self._layout.dog_words or DOG_WORDS
        return self._columns.column("species").translated(
            lambda word: (DOG if is_dog(word, words) else OTHER) if word else ""
        )

    def item_class(self, item: pd.Categorical) -> pd.Categorical:
        """Return the class of each line's item, found by its text or else by its code."""
        known = self._layout.item_lookup
        by_text = [known.get(same_heading(str(text)), "") for text in item.categories]
        found = categories(item.codes, by_text)
        if "code" not in self._layout.columns:
            return found
        by_code = self._columns.column("code").translated(lambda c: known.get(same_heading(c)))
        blank = np.asarray(found == "")
        codes = np.where(blank, by_code.codes + len(found.categories), found.codes)
        return categories(codes.astype(np.int32), [*found.categories, *by_code.categories])

    def questions(self) -> list[Question]:
        """Return what is not known of the words that this file uses."""
        if not self._branches:
            return [
                Question(
                    ("branches",),
                    "the practice has no branches yet, so no visit has a place; import them first "
                    "with `forepaw import branches FILE`",
                )
            ]
        allowed = ", ".join(self._branches)
        asked = []
        if "branch" not in self._layout.columns and not self._only_branch():
            asked.append(
                Question(
                    ("branch",),
                    "the file has no column of the branch; write the branch of its visits here, "
                    f"allowed: {allowed}",
                )
            )
        for section, words, meanings in (
            ("branches", self._layout.branches, allowed),
            ("statuses", self._layout.statuses, ", ".join(STATUSES)),
        ):
            name = {"branches": "branch", "statuses": "status"}[section]
            used = {same_heading(text) for text in self._columns.column(name).texts}
            asked += [
                Question(
                    (section, word),
                    f"what the {name} {word!r} means is not answered; choose one of {meanings}",
                )
                for word, meaning in words.items()
                if not meaning and same_heading(word) in used
            ]
        return [*asked, *self._no_dog()]

    def _no_dog(self) -> list[Question]:
        """Ask which word means dog, where none of a long file is known to."""
        column = self._columns.column("species")
        animals = [word for word in column.texts if word]
        is_long = len(column.codes) >= export_rules().number("species.asked_from")
        if self._layout.dog_words or not is_long or not animals or any(map(is_dog, animals)):
            return []
        named = ", ".join(repr(word) for word in animals[:_SPECIES_NAMED])
        return [
            Question(
                ("species", "dog"),
                f"none of the animals in this file ({named}) is known to be a dog; list the words "
                "that mean one",
            )
        ]

    def _only_branch(self) -> str:
        """Return the branch of rows that name none; empty where it cannot be told."""
        if self._layout.branch or len(self._branches) != 1:
            return self._layout.branch
        return next(iter(self._branches))

    def _known_branches(self) -> dict[str, str]:
        """Return our branch by each word for it: the layout's, its name, its id."""
        named = [(("branches", word), branch) for word, branch in self._layout.branches.items()]
        for key, branch in [*named, (("branch",), self._layout.branch)]:
            if branch and branch not in self._branches:
                hint = did_you_mean(branch, self._branches) or (
                    f"; the practice has {', '.join(self._branches)}"
                )
                raise LayoutError(f"{self._layout.place(*key)}: {branch!r} is no branch{hint}")
        known = {same_heading(name): branch for branch, name in self._branches.items()}
        known |= {same_heading(branch): branch for branch in self._branches}
        return known | {same_heading(word): b for word, b in self._layout.branches.items() if b}


def is_dog(word: str, dog_words: tuple[str, ...] = DOG_WORDS) -> bool:
    """Say whether a species is a dog: one of the words, alone or with more behind it."""
    text = same_heading(word)
    return any(
        text == known or (text.startswith(known) and not text[len(known)].isalnum())
        for known in map(same_heading, dog_words)
    )
