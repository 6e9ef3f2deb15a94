"""``python -m tests.mutation.branches``: the tests of the same modules have to take every branch of them.

Exit code 0: they do; otherwise a test failed, or a branch is left, which is told.
"""

from __future__ import annotations

import coverage
import pytest

from tests.mutation.targets import targets

__all__ = ["main"]


def main() -> int:
    """Run them, and tell what they leave out."""
    wanted = targets()
    tests = list(dict.fromkeys(test for target in wanted for test in target.tests))
    measured = coverage.Coverage(
        data_file=None, config_file=False, branch=True, include=[str(target.path) for target in wanted]
    )
    measured.exclude("assert_never")  # what mypy holds unreachable
    with measured.collect():
        code = int(pytest.main(["-q", "-p", "no:cacheprovider", *tests]))
    share = measured.report(show_missing=True, skip_covered=True)
    return code or int(share < 100)


if __name__ == "__main__":
    raise SystemExit(main())
