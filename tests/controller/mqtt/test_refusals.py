"""Which publications a broker has refused, by topic, whichever thread says so first."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from controller.mqtt_refusals import Refusals


def test_a_refusal_of_one_topic_is_none_of_another() -> None:
    refusals = Refusals(10)
    refusals.handed(1, "a/set")
    refusals.handed(2, "b/set")
    refusals.refused(2)
    assert (refusals.of("a/set"), refusals.of("b/set")) == (0, 1)


def test_the_broker_may_be_quicker_than_the_one_who_hands_over() -> None:
    refusals = Refusals(10)
    refusals.refused(7)
    assert refusals.of("a/set") == 0
    refusals.handed(7, "a/set")
    refusals.handed(7, "b/set")
    assert (refusals.of("a/set"), refusals.of("b/set")) == (1, 0)


@given(st.lists(st.tuples(st.sampled_from("abc"), st.booleans(), st.booleans()), max_size=300))
def test_each_refusal_is_counted_once_where_it_belongs(sent: list[tuple[str, bool, bool]]) -> None:
    """Packet identifiers come round, as they do after 65,535 publications; one is out at a time."""
    refusals = Refusals(5)
    for place, (topic, refused, early) in enumerate(sent):
        number = place % 7 + 1
        if refused and early:
            refusals.refused(number)
        refusals.handed(number, topic)
        if refused and not early:
            refusals.refused(number)
    for topic in "abc":
        assert refusals.of(topic) == sum(t == topic and refused for t, refused, _ in sent)
