"""What a capture's file name says, and the name under which it is kept."""

from __future__ import annotations

from pathlib import Path

import pytest

from tui.capture_keeping import action_of, place_of, unit_of


@pytest.mark.parametrize(
    ("name", "action", "unit"),
    [
        ("power-on.csv.gz", "power-on", ""),
        ("power-on_2.CSV.GZ", "power-on", ""),
        ("power-on@3_2.csv.gz", "power-on", "3"),
        ("power-on.gz", "power-on", ""),
        ("power-on.csv", "power-on", ""),
    ],
)
def test_packing_is_no_part_of_what_a_name_says(name: str, action: str, unit: str) -> None:
    assert (action_of(Path(name)), unit_of(Path(name))) == (action, unit)


def test_a_packed_capture_is_kept_packed(tmp_path: Path) -> None:
    folder = tmp_path / "profile"
    path = tmp_path / "Some Press_1.csv.gz"
    path.write_bytes(b"packed")
    assert place_of(folder, path, "power-on", set())[0] == "captures/power-on_1.csv.gz"
