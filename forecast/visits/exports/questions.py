"""Questions: what neither a file nor its layout answers, and a person must."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from forecast.visits.exports.layout import Layout, LayoutError

_SHOWN = 5


@dataclass(frozen=True)
class Question:
    """A key of the layout, by its path, and the sentence that asks for it."""

    key: tuple[str, ...]
    sentence: str

    def asked(self, layout: Layout) -> str:
        """Return the question with the line of the file that the answer goes into."""
        return f"{layout.place(*self.key)}: {self.sentence}"


def refuse_while_asked(questions: Sequence[Question], layout: Layout) -> None:
    """Raise a `LayoutError` that holds the open questions; none, and nothing happens."""
    if questions:
        more = len(questions) - _SHOWN
        raise LayoutError(
            "; ".join(question.asked(layout) for question in questions[:_SHOWN])
            + (f" (and {more} more)" if more > 0 else "")
        )
