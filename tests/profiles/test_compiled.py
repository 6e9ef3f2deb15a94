"""A profile ready for work: parameters, messages, answers, meanings."""

from __future__ import annotations

from typing import Any

import pytest

from profiles.checking import load_profile
from profiles.compiled import CompiledAction, CompiledObservation, CompiledProfile, field_types, resolve
from profiles.errors import BadValue, NotKnown, TemplateError
from profiles.model import Profile, ValueType
from profiles.template import Pause
from tests.profiles.texts import SOUND, changed


@pytest.fixture
def profile() -> CompiledProfile:
    return load_profile(SOUND, "foyer.toml")


def test_a_message_of_an_action(profile: CompiledProfile) -> None:
    action = profile.action("set-volume")
    values = action.parameters({"level": 40})
    assert action.message(values, address=2).data == bytes.fromhex("A5022028")
    assert action.title == "set-volume"


@pytest.mark.parametrize(
    ("given", "words", "todo"),
    [
        ({}, "set-volume needs level", "give it as level=0"),
        ({"level": 64}, "level must be from 0 to 63, not 64", ""),
        ({"level": "40"}, "level must be a whole number, not '40'", ""),
        ({"level": 4.0}, "level must be a whole number", ""),
        ({"levle": 4}, "set-volume has no parameter 'levle'", "did you mean 'level'?"),
        ({"q": 4}, "set-volume has no parameter 'q'", "it takes level"),
    ],
)
def test_parameters_that_are_wrong(
    profile: CompiledProfile, given: dict[str, Any], words: str, todo: str
) -> None:
    with pytest.raises(BadValue) as caught:
        profile.action("set-volume").parameters(given)
    assert words in caught.value.what
    assert caught.value.todo == todo


def test_an_action_that_takes_nothing(profile: CompiledProfile) -> None:
    with pytest.raises(BadValue, match="it takes none"):
        profile.action("ask").parameters({"level": 1})


def test_defaults_are_filled_in() -> None:
    given = changed(("range = [0, 63] }", "range = [0, 63], default = 7 }"))
    assert load_profile(given, "x").action("set-volume").parameters({}) == {"level": 7}


def test_an_action_that_is_not_there(profile: CompiledProfile) -> None:
    with pytest.raises(NotKnown) as caught:
        profile.action("power-no")
    assert str(caught.value) == "foyer has no action 'power-no'; try power-on"
    with pytest.raises(NotKnown, match="try power-on, standby, set-volume, ask"):
        profile.action("zzz")


def test_repeats_with_their_pauses() -> None:
    twice = changed(
        ("sets = { power = true }", "sets = { power = true }\nrepeat = 2\nrepeat_pause_ms = 30"),
        ('{ hex = "01" }, { check', '{ pause_ms = 5 }, { hex = "01" }, { check'),
    )
    message = load_profile(twice, "x").action("power-on").message({}, address=1)
    assert message.data == bytes.fromhex("A5010102A5010102")
    assert message.pauses == (Pause(2, 0.005), Pause(4, 0.03), Pause(6, 0.005))


def test_answers_of_its_own_come_before_those_that_any_action_can_get() -> None:
    text = changed(
        more='\n[[actions.ask.reply]]\nexpect = [{ hex = "06" }]\n'
        '[[reply]]\nmeans = "refused"\nexpect = [{ hex = "15" }, { field = "now" }]\n'
        'sets = { volume = "now" }\n',
    )
    profile = load_profile(text, "x")
    assert [
        reply.expect.build({"now": 3} if reply.expect.fields else {}).data
        for reply in profile.action("ask").replies
    ] == [
        b"\x06",
        b"\x15\x03",
    ]
    assert [reply.spec.means for reply in profile.action("standby").replies] == ["refused"]
    # What a reply's field sets says what it can be: a volume is never more than 63.
    assert profile.action("ask").replies[1].expect.read(b"\x15\x40") is None


def test_states_that_fields_give() -> None:
    assert resolve({"volume": "level", "power": True, "input": "cd"}, {"level": 9}) == {
        "volume": 9,
        "power": True,
        "input": "cd",
    }


def test_fields_are_what_the_states_are_that_they_set(profile: CompiledProfile) -> None:
    assert (
        field_types(profile.profile, {"volume": "level", "nothing": "x"})["level"].type is ValueType.INTEGER
    )


def test_what_is_heard_gets_its_meaning(profile: CompiledProfile) -> None:
    matcher = profile.matcher()
    found = matcher.feed(bytes.fromhex("A5 03 01 04 00 A6 02 51 01 A6 02 52 3F A6 02 52 40"), 0.0)
    found += matcher.tick(10.0)
    told = [
        (entry.key.title if entry.key else None, entry.reading.address if entry.reading else None)
        for entry in found
    ]
    assert told == [("power-on", 3), (None, None), ("observation 1", 2), ("observation 2", 2), (None, None)]
    assert isinstance(found[0].key, CompiledAction)
    assert isinstance(found[2].key, CompiledObservation)
    assert found[2].reading is not None
    assert found[2].reading.values == {"source": "tuner"}


def test_a_profile_that_was_not_checked_names_the_action_at_fault() -> None:
    raw = {
        "schema": 1,
        "name": "x",
        "line": {"baud": 9600},
        "confirm": {"method": "none"},
        "actions": {"on": {"send": [{"any": 1}]}},
    }
    with pytest.raises(TemplateError, match="action on: `any` can't be sent") as caught:
        CompiledProfile(Profile.model_validate(raw))
    assert caught.value.index == 0
