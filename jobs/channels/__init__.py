"""Channels: the ways out of the house on which a message reaches a person."""

from __future__ import annotations

from jobs.channels.message import Message, Outcome, within

__all__ = ["Message", "Outcome", "within"]
