"""The page of what was measured keeps what a run did not measure."""

from __future__ import annotations

from tests.bench.figures import Figure, Table
from tests.bench.measured import merged

START = Table("Starting", (Figure("help", "23 ms", "13 ms", 10, 150, "ms"),))
SLOW = Table("Waiting", (Figure("a | b", "2 s", "1 s", 2.0, 1.5),), "The reason is elsewhere.")


def test_a_run_of_a_part_leaves_the_other_parts_alone() -> None:
    page = merged("", [START, SLOW], "Monday.")
    again = merged(page, [Table("Waiting", (Figure("a | b", "1 s", "1 s", 1.0, 1.5),))], "Tuesday.")
    first, second = again.split("## ")[1:]
    assert first == page.split("## ")[1]
    assert "Monday." in first
    assert "Tuesday." in second
    assert "OVER" not in second
    assert "elsewhere" not in second


def test_a_missed_bar_is_told_with_its_reason() -> None:
    page = merged("", [START, SLOW], "Monday.")
    assert "| help | 23 ms | 13 ms | 10 ms | 150 ms | |" in page
    assert "| a \\| b | 2 s | 1 s | 2 x | 1.5 x | OVER ITS BAR |" in page
    assert page.endswith("The reason is elsewhere.\n")


def test_a_figure_without_a_bar_holds() -> None:
    figure = Figure("a record", "2 us", "", 2.0, None, "us")
    assert figure.holds
    assert figure.cells == ("a record", "2 us", "", "2 us", "none", "")
