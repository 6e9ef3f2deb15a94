"""How long sites take to answer, with times handed in."""

from __future__ import annotations

from tui.remote.round_trips import RoundTrips


def test_an_answer_gives_its_round_trip() -> None:
    trips = RoundTrips("me")
    assert trips.due("hall", 100.0)
    word = trips.ask("hall", 100.0)
    assert trips.answered("hall", word, 100.25)
    assert trips.of("hall").seconds == 0.25
    assert not trips.due("hall", 104.9)
    assert trips.due("hall", 105.0)


def test_what_was_asked_by_others_or_before_is_no_answer() -> None:
    trips = RoundTrips("me")
    first = trips.ask("hall", 100.0)
    second = trips.ask("hall", 105.0)
    for word in ("", "other:1", first):
        assert not trips.answered("hall", word, 105.1)
    assert trips.answered("hall", second, 105.2)
    assert not trips.answered("hall", second, 105.3)


def test_silence_counts_from_the_first_question_without_an_answer() -> None:
    trips = RoundTrips("me")
    assert trips.silent_for("hall", 100.0) is None
    trips.ask("hall", 100.0)
    assert trips.silent_for("hall", 102.9) is None
    trips.ask("hall", 105.0)
    assert trips.silent_for("hall", 110.0) == 10.0
    word = trips.ask("hall", 110.0)
    trips.answered("hall", word, 110.1)
    assert trips.silent_for("hall", 115.0) is None


def test_a_new_connection_waits_for_no_old_answer() -> None:
    trips = RoundTrips("me")
    word = trips.ask("hall", 100.0)
    trips.forget()
    assert not trips.answered("hall", word, 101.0)
    assert trips.silent_for("hall", 200.0) is None
    assert trips.due("hall", 101.0)
