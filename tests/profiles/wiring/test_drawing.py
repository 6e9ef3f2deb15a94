"""The drawing and the report say the values that were worked out."""

from __future__ import annotations

import json
import xml.etree.ElementTree as ET

from profiles.wiring.design import CAUTIONS, wiring
from profiles.wiring.divider import DividerNeeds
from profiles.wiring.drawing import wiring_svg
from profiles.wiring.pull_up import LineNeeds, PullUpNeeds
from profiles.wiring.report import wiring_json, wiring_text
from profiles.wiring.trigger import TriggerNeeds

LINE = LineNeeds(4800)
ALL = wiring(TriggerNeeds(volts=(5, 12)), DividerNeeds(LINE), PullUpNeeds(LINE))
SVG = "{http://www.w3.org/2000/svg}"


def test_the_drawing_has_every_part_with_its_value_and_stays_in_its_frame() -> None:
    root = ET.fromstring(wiring_svg(ALL))
    texts = [element.text or "" for element in root.iter(f"{SVG}text")]
    for section in ALL.sections:
        for part in section.parts:
            if part.id == "C":
                continue
            wanted = part.id if part.value is None else f"{part.id}  {part.text.split(', ')[0]}"
            assert wanted in texts
    width, height = float(root.get("width", "0")), float(root.get("height", "0"))
    assert (width, height) == tuple(float(word) for word in root.get("viewBox", "").split()[2:])
    # Sans-serif letters are at most about 0.62 of their size wide on average: none runs out on the right.
    for element in root.iter(f"{SVG}text"):
        if element.get("text-anchor") == "start":
            long = float(element.get("x", "0")) + 0.62 * float(element.get("font-size", "0")) * len(
                element.text or ""
            )
            assert long < width - 20, element.text


def test_a_screen_reader_is_told_the_circuit() -> None:
    root = ET.fromstring(wiring_svg(ALL))
    title, described = root.find(f"{SVG}title"), root.find(f"{SVG}desc")
    assert title is not None
    assert described is not None
    assert root.get("role") == "img"
    assert root.get("aria-labelledby") == f"{title.get('id')} {described.get('id')}"
    assert "Trigger input, 5 to 12 V" in (title.text or "")
    assert "D1 lies across the LED the other way round" in (described.text or "")
    assert "R3, " in (described.text or "")


def test_the_drawing_brings_nothing_from_outside() -> None:
    text = wiring_svg(ALL)
    assert text.count("http") == text.count("http://www.w3.org/2000/svg") == 1
    assert "<script" not in text


def test_what_does_not_work_is_drawn_as_that() -> None:
    none = wiring(TriggerNeeds(volts=(1.2, 5)))
    assert "no value works" in wiring_svg(none)
    warned = wiring(TriggerNeeds(volts=(5, 24), resistor=470))
    assert "warning: LED current at 24 V" in wiring_svg(warned)
    assert "WARNING: LED current at 24 V" in wiring_text(warned)


def test_text_and_json_say_the_same_and_carry_the_cautions() -> None:
    text, document = wiring_text(ALL), wiring_json(ALL)
    json.dumps(document)
    for circuit in document["circuits"]:
        for figure in circuit["figures"]:
            assert figure["name"] in text
            assert f"= {figure['working']}" in text
            assert f"source: {figure['source']}" in text
            assert figure["ok"] is True
    assert document["works"] is True
    for caution in CAUTIONS:
        assert caution in text
        assert caution in document["cautions"]
    assert {"Isolation", "No mains", "Check with the gear's maker"} <= {
        c.split(":")[0].split(" what")[0] for c in CAUTIONS
    }
    assert any("local rules" in caution for caution in CAUTIONS)
