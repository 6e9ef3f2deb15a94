"""Qualification: a unit switched on and off many times, and what came of it in figures and a verdict."""
