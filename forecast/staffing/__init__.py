"""Staffing: load, capacity, roster and stock of the practice, and what its desk says of them."""
