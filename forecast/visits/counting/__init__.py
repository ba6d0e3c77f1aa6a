"""Counting: visits to flare visits, placed and counted by region and week, as known on a day."""
