"""Top floor: the outside world and the clock (open data, scheduled jobs, sending, commands)."""
