"""The one base of every error whose text is meant for the person at the desk."""

from __future__ import annotations


class ForepawError(ValueError):
    """A refusal in one clear sentence: what was asked, what was found, what to do.

    Each room derives its own class. The command line prints the text and nothing else; any other
    exception is a fault of the program and keeps its traceback.
    """
