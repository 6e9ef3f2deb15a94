"""Hypothesis without a deadline: how long an example takes says more of the machine than of the code."""

from __future__ import annotations

from hypothesis import settings

settings.register_profile("patient", deadline=None)
settings.load_profile("patient")
