"""What `forepaw demo --serve` prints."""

from __future__ import annotations

from jobs.console import progress


def show_served(address: str) -> None:
    """Say on standard error where the demo's pages are, and how it ends."""
    progress.print(
        f"The demo is at {address} - open it in a browser of this machine and choose who you are.\n"
        "It stands at its day, and what is asked for there is done. Ctrl-C ends it.",
        markup=False,
        soft_wrap=True,
    )
