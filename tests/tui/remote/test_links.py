"""How far away sites are, in words."""

from __future__ import annotations

from pathlib import Path

import pytest
from rich.cells import cell_len

from tests.controller.mqtt.hall import SITE
from tests.tui.remote.announced import NOW, Announced, mirror_of
from tui.looks import Looks
from tui.remote.links import link_line, link_words, note
from tui.remote.mirror import Mirror
from tui.remote.round_trips import RoundTrips

LOOKS = Looks(dark=True)


@pytest.fixture
def many(tmp_path: Path) -> Mirror:
    """Twelve sites."""
    sites = [
        Announced(
            tmp_path / f"{number}",
            SITE.replace('"larkfield"', f'"hall-{number}"').replace("Larkfield Hall", f"Hall {number}"),
        )
        for number in range(12)
    ]
    return mirror_of(*sites)


def _line(mirror: Mirror, trips: RoundTrips, width: int = 80, silent: str = "") -> str:
    words = link_words(mirror, trips, lambda site: 12.0 if site == silent else None)
    return link_line(words, width, LOOKS).plain


def test_trouble_comes_first_and_the_rest_is_counted(many: Mirror, tmp_path: Path) -> None:
    trips = RoundTrips("me")
    for number in range(12):
        trips.answered(f"hall-{number}", trips.ask(f"hall-{number}", 0.0), 0.004)
    line = _line(many, trips)
    assert line.startswith(" Hall 0 answers in 4 ms   Hall 1 answers in 4 ms")
    assert line.endswith("and 10 more")
    lost = Announced(tmp_path / "lost", SITE.replace('"larkfield"', '"hall-7"'))
    many.take(lost.stands("lost"), NOW)
    assert _line(many, trips).startswith(" Hall 7 is lost")
    assert _line(many, trips, silent="hall-3").startswith(
        " Hall 3 has not answered for 12 s   Hall 7 is lost"
    )
    assert note(many, lambda _: None) == "Hall 7 is lost"


@pytest.mark.parametrize("width", [20, 40, 80, 140, 200])
def test_no_line_is_wider_than_the_screen(many: Mirror, width: int) -> None:
    trips = RoundTrips("me")
    trips.last_command = "hall-4", 1.5
    assert cell_len(_line(many, trips, width)) <= width


def test_the_last_command_is_told_where_it_went(many: Mirror) -> None:
    trips = RoundTrips("me")
    trips.last_command = "hall-1", 0.063
    assert "Hall 1 is there, command 63 ms" in _line(many, trips, 300)


def test_every_screen_says_what_is_wrong_on_the_way(many: Mirror) -> None:
    assert note(many, lambda _: None) == ""
    assert note(many, lambda site: 5.0 if site == "hall-2" else None) == "Hall 2 does not answer"
    assert note(many, lambda _: 5.0) == "12 of 12 sites do not answer"
    many.lost("gone", "the broker", NOW)
    assert note(many, lambda _: None) == "broker out of reach"


def test_before_any_site_there_is_nothing_to_say() -> None:
    assert _line(Mirror("mqtt://broker"), RoundTrips("me")) == ""
