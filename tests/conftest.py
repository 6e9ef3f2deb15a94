"""Peers: programs that are no Python packages. A bare clone skips their tests, CI must have them."""

from __future__ import annotations

import os
import shutil

import pytest
from hypothesis import HealthCheck, settings

# How long an example takes, or takes to be made up, says more of the machine than of the code.
settings.register_profile("patient", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("patient")


def pytest_runtest_setup(item: pytest.Item) -> None:
    """Skip a test whose peer is not installed, with its reason; in CI that is a failure."""
    for marker in item.iter_markers("peer"):
        for program in marker.args:
            if shutil.which(program) is None:
                reason = f"{program} is not installed"
                if os.environ.get("CI") == "true":
                    pytest.fail(reason)
                pytest.skip(reason)
