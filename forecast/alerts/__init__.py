"""Alerts: when a region is spoken of, what is said, who approves it, and whether it was right."""
