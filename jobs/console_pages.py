"""What `forepaw pages` prints."""

from __future__ import annotations

from forecast.accounts.links import first_link
from jobs.console import progress
from jobs.web import Listening


def show_listening(listening: Listening) -> None:
    """Say on standard error where the pages are; with a one-time link if nobody may invite yet."""
    words = [
        f"The pages of {listening.practice.settings.practice.name}: {listening.public_address}"
    ]
    link = first_link(listening.opened.records, now=listening.practice.now)
    if link is not None:
        words += [
            "Nobody may invite others yet. Whoever opens this link becomes the first "
            f"administrator; it holds until {link.expires_at:%Y-%m-%d %H:%M} UTC, or until the "
            "next start:",
            f"{listening.public_address}{link.path}",
        ]
    progress.print("\n".join(words), markup=False, soft_wrap=True)
