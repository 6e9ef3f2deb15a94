"""The simulated hall, and a short evening at it."""
