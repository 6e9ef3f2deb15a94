"""Every rule of the Homie convention that a bridge can be held to, and the test that holds it.

Source: the Homie convention, version 5, ``convention.md`` at commit 063301d (17 October 2024); section names
in the second column. Rules that are only advised are marked so.
"""

from __future__ import annotations

import importlib
import inspect

import pytest

_VALUES = "tests.controller.test_homie_values"
_SITE = "tests.controller.test_homie_site"
_LIFE = "tests.controller.mqtt.test_mqtt_lifecycle"
_FAULTS = "tests.controller.mqtt.test_mqtt_faults"
_COMMANDS = "tests.controller.mqtt.test_mqtt_commands"
_WALK = "tests.controller.mqtt.test_mqtt_walk"

RULES = [
    (1, "Topic IDs", "ids are of a-z, 0-9 and -; $ is for attributes", _SITE, "test_ids_are_homie_ids"),
    (2, "QoS and retained messages", "all is retained but what is said not to be (QoS 2 is advised: see QOS)",
     _LIFE, "test_everything_but_events_is_retained"),
    (3, "QoS and retained messages", "events are not retained, at QoS 0", _SITE,
     "test_values_are_retained_and_events_are_not"),
    (4, "Last Will", "the will sets the root's $state to lost", _FAULTS,
     "test_a_half_open_connection_is_found_out_and_replaced"),
    (5, "Empty string values", "the empty string is one zero byte; nothing deletes a topic", _VALUES,
     "test_strings_come_back_and_never_delete_a_topic"),
    (6, "Payloads", "UTF-8, no byte-order mark, valid for the datatype", _VALUES,
     "test_payloads_that_it_does_not_allow"),
    (7, "Integer", "64 bits, digits and - only", _VALUES, "test_integers_come_back"),
    (8, "Float", "digits, -, e, E and one point", _VALUES,
     "test_floats_come_back_exactly_in_the_signs_that_are_allowed"),
    (9, "Boolean", "true or false", _VALUES, "test_payloads_that_it_does_not_allow"),
    (10, "Enum", "one of the listed values, spaces included; none empty, none twice", _SITE,
     "test_properties_have_one_of_the_datatypes_and_a_format_where_it_is_required"),
    (12, "Duration", "PTxHxMxS", _VALUES, "test_durations_come_back_in_hours_minutes_and_seconds"),
    (13, "JSON", "an array or an object; the format is a schema as a string", _SITE,
     "test_an_action_with_several_parameters_takes_json_by_a_schema"),
    (14, "Formats", "min:max, both included", _VALUES,
     "test_numbers_keep_to_their_format_both_ends_included"),
    (15, "Domain and Root Topic", "homie/5/", _SITE, "test_topics_begin_with_the_domain_and_the_version"),
    (16, "Device Attributes", "$state and $description; a description changes in init only", _LIFE,
     "test_a_new_profile_is_described_in_init"),
    (17, "Device Attributes", "homie is 5.x, version rises with every change, no field is null", _SITE,
     "test_descriptions_have_what_is_required_and_nothing_null"),
    (17, "Device Attributes", "version rises with every change", _LIFE,
     "test_what_a_unit_has_no_more_is_removed_and_its_version_rises"),
    (18, "Device hierarchy", "root of a child, none of the root; children", _SITE,
     "test_the_root_lists_its_children_and_each_child_names_its_root"),
    (19, "Device Lifecycle", "ready only when all is said and set topics are subscribed", _LIFE,
     "test_init_comes_first_and_ready_when_everything_is_said"),
    (19, "Device Lifecycle", "disconnected before a clean disconnect", _LIFE,
     "test_a_clean_stop_is_disconnected"),
    (20, "Device hierarchy", "a child counts as lost with its root: the will is the root's alone", _WALK,
     "test_the_walk_of_the_page"),
    (21, "Removing children", "$state is deleted first, the rest after it", _LIFE,
     "test_a_unit_that_left_the_site_file_is_removed_its_state_first"),
    (21, "Adding children", "children are there before the parent lists them (advised)", _LIFE,
     "test_init_comes_first_and_ready_when_everything_is_said"),
    (22, "Property Attributes", "one of the nine datatypes; defaults", _SITE,
     "test_properties_have_one_of_the_datatypes_and_a_format_where_it_is_required"),
    (23, "Property command topic", "set topics are subscribed, commands reflected", _COMMANDS,
     "test_a_state_is_set_shown_and_told"),
    (24, "Target attribute", "byte for byte, before the transition, at every update", _SITE,
     "test_the_target_repeats_the_payload_before_anything_moves"),
    (24, "Target attribute", "the hardware sets none (advised)", _SITE, "test_the_hardware_sets_no_target"),
    (25, "Alert topic", "retained, deleted when over", _LIFE, "test_an_alert_stands_while_it_lasts"),
    (25, "Logging", "$log/<level>, not retained (advised)", _SITE,
     "test_values_are_retained_and_events_are_not"),
]  # fmt: skip

NOT_USED = {11: "no property has a colour, and none a point in time"}


def test_every_rule_is_in_the_table() -> None:
    assert {number for number, *_ in RULES} | NOT_USED.keys() == set(range(1, 26))


@pytest.mark.parametrize(("number", "section", "rule", "module", "test"), RULES)
def test_the_test_that_holds_it_is_there(
    number: int, section: str, rule: str, module: str, test: str
) -> None:
    found = getattr(importlib.import_module(module), test)
    assert inspect.isfunction(found)
    assert "assert" in inspect.getsource(found) or "pytest.raises" in inspect.getsource(found)
