"""Messages that can't be told apart, and counters that are one: rules about several templates at once."""

from __future__ import annotations

from profiles.checking import check_text
from tests.profiles.texts import SOUND, error_keys, faults

LOOP = 'method = "loop"'


def test_observations_that_cannot_be_told_apart() -> None:
    told = 'match = [{ hex = "A6" }, { address = 1 }, { hex = "52" }, { field = "level" }]'
    assert told in SOUND
    # A field that no state limits can be anything: the one whose field is limited is the narrower.
    assert error_keys(more=f'\n[[observations]]\n{told}\nevent = "x"\n') == []
    (fault,) = faults(more=f'\n[[observations]]\n{told}\nsets = {{ volume = "level" }}\n')
    assert fault.key == "observations[2].match"
    assert fault.what == "can't be told apart from observations[1]"


def test_an_observation_of_any_bytes() -> None:
    anything = '\n[[observations]]\nevent = "x"\nmatch = [{ any = 3 }]\n'
    assert error_keys(more=anything) == ["observations[2].match"]
    assert error_keys(more=anything.replace("}]", '}, { check = "sum-8" }]')) == []


def test_two_observations_of_one_name() -> None:
    named = '\n[[observations]]\nname = "x"\nevent = "x"\nmatch = [{{ hex = "B{0}" }}]\n'
    assert error_keys(more=named.format(0) + named.format(1)) == ["observations[3].name"]


TOGGLE = """
[actions.on]
effect = "energise"
repeatable = {0}
only_if = {{ power = false }}
send = [{{ hex = "70" }}]
sets = {{ power = true }}
[actions.off]
effect = "de-energise"
repeatable = {0}
only_if = {{ power = true }}
send = [{{ hex = "70" }}]
sets = {{ power = false }}
"""


def test_a_toggle_under_two_names_is_no_fault() -> None:
    text = SOUND.replace("[[observations]]", TOGGLE.format("false") + "\n[[observations]]", 1)
    checked = check_text(text, "foyer.toml")
    assert [(fault.key, fault.warning) for fault in checked.faults] == [("actions.off.send", True)]
    assert checked.profile is not None
    assert checked.profile.actions["on"].twins == ("off",)


def test_a_toggle_that_would_be_sent_again() -> None:
    text = SOUND.replace("[[observations]]", TOGGLE.format("true") + "\n[[observations]]", 1)
    assert [fault.key for fault in check_text(text, "foyer.toml").errors] == ["actions.off.send"]


REPLIES = """
[[actions.ask.reply]]
expect = [{ hex = "06" }]
[[actions.ask.reply]]
means = "refused"
why = "it says {reason} and {resaon}"
expect = [{ hex = "06" }]
[[reply]]
means = "refused"
expect = [{ hex = "06" }]
"""


def test_answers_that_cannot_be_told_apart() -> None:
    answered = SOUND.replace(LOOP, 'method = "reply"')
    found = check_text(answered + REPLIES, "foyer.toml").errors
    told = {fault.key: fault for fault in found}
    assert told["actions.ask.reply[1].expect"].what == "can't be told apart from actions.ask.reply[0]"
    assert told["reply[0].expect"].what == "can't be told apart from actions.ask.reply[0]"
    assert len([fault for fault in found if fault.key == "reply[0].expect"]) == 1
    assert [fault.what for fault in found if fault.key == "actions.ask.reply[1].why"] == [
        "no field of this reply is called 'reason'",
        "no field of this reply is called 'resaon'",
    ]
    # Answers that any action can get do not say that it was done: each action needs one of its own.
    assert {"actions.power-on.reply", "actions.standby.reply", "actions.set-volume.reply"} <= told.keys()


TO_SOME = """
[[actions.ask.reply]]
expect = [{ hex = "06" }]
to = ["ask"]
[[reply]]
means = "refused"
expect = [{ hex = "06" }]
to = ["standby", "power-of"]
"""


def test_an_answer_to_some_actions_is_none_to_others() -> None:
    answered = SOUND.replace(LOOP, 'method = "reply"')
    told = {fault.key: fault for fault in check_text(answered + TO_SOME, "foyer.toml").errors}
    assert told["actions.ask.reply[0].to"].what == "is an answer to ask alone"
    assert told["reply[0].to[1]"].what == "no action is called 'power-of'"
    assert "power-on" in told["reply[0].to[1]"].todo
    assert "reply[0].expect" not in told, "standby has no answer with which it could be mixed up"


def test_answers_that_nobody_waits_for() -> None:
    found = faults(more='\n[[actions.ask.reply]]\nexpect = [{ hex = "06" }]\n')
    assert [(fault.key, fault.warning) for fault in found] == [("actions.ask.reply", True)]
    assert 'confirm.method is "loop"' in found[0].what


def test_counters_of_one_name_are_one() -> None:
    counted = ('{ hex = "40" }', '{ counter = "n", wrap = 16 }, { hex = "40" }')
    otherwise = ('{ hex = "02" }', '{ hex = "02" }, { counter = "n" }')
    assert error_keys(counted, otherwise) == ["actions.ask.send"]
    assert error_keys(counted) == []
