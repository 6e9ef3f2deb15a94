"""The commands beside the main job: adapter, ports, profiles, presume, captured bursts."""

from __future__ import annotations

import json
import sys

import pytest

from tests.tui.conftest import Desk


def test_an_adapter_is_measured_through_a_line_of_known_length(desk: Desk) -> None:
    # Not a loop-back plug but a ring of one unit at 4800 baud: it returns each frame one frame time later,
    # 10 bit times at 8N1 (common practice, no source). So 10 / 4800 s = 2.083 ms must be found at least.
    desk.chain(units=1)
    said = desk.run("adapter", str(desk.folder / "line"), "--baud", "4800", "--json")
    assert said.code == 0
    (rate,) = said.document["rates"]
    assert rate["works"] is True
    assert rate["latency_ms"] >= 10 / 4800 * 1000 * 0.98
    assert rate["counts_units"] is False


def test_a_port_without_a_line_is_told_from_an_adapter(desk: Desk) -> None:
    said = desk.run("adapter", "loop://", "--baud", "1200", "--baud", "9600", "--json")
    for rate in said.document["rates"]:
        assert not rate["works"] or rate["latency_ms"] >= 0
        assert rate["rate_error_percent"] is None or abs(rate["rate_error_percent"]) < 100


@pytest.mark.slow
def test_what_an_adapter_was_found_to_add_is_kept_for_its_bus(desk: Desk) -> None:
    desk.chain(units=1)
    text = (desk.folder / "site.toml").read_text()
    kept = "\n".join(line for line in text.splitlines() if not line.startswith("adapter_"))
    desk.write("site.toml", kept)
    before = desk.run("act", "unit-1", "power-on", "--json").document
    assert before["units_answering"] is None  # nothing is known of the adapter: it can't be told
    said = desk.run("adapter", str(desk.folder / "line"), "--baud", "4800", "--keep-for", "hall")
    assert said.code == 0
    assert "kept for bus hall" in said.out
    report = desk.run("probe", "hall", "--json").document
    assert report["latency_ms"] is not None


@pytest.mark.slow
def test_profiles_are_listed_shown_exported_and_imported(desk: Desk) -> None:
    names = [each["name"] for each in desk.run("profiles", "--json").document]
    assert {"midi-scene", "modbus-relay", "pellgate-chain", "scpi-supply"} <= set(names)
    assert "power-on" in desk.run("profiles", "show", "pellgate-chain").out
    text = desk.run("profiles", "show", "pellgate-chain", "--text").out
    assert desk.run("profiles", "export", "pellgate-chain", "mine.zip").code == 0
    assert desk.run("profiles", "export", "pellgate-chain", "mine.zip").code == 2
    assert desk.run("profiles", "import", "mine.zip").code == 0
    own = desk.run("profiles", "list", "--json").document
    assert [each["from"] for each in own if each["name"] == "pellgate-chain"] == ["own"]
    assert desk.run("profiles", "show", "pellgate-chain", "--text").out == text
    assert "CRC-16/MODBUS" in desk.run("profiles", "checks").out.splitlines()


def test_ports_are_listed(desk: Desk) -> None:
    assert isinstance(desk.run("ports", "--json").document, list)


@pytest.mark.slow
def test_a_state_is_set_right_by_hand(desk: Desk) -> None:
    desk.chain(units=1)
    assert desk.run("presume", "unit-1", "power", "true").code == 1  # no controller runs that could keep it
    controller = desk.start("run")
    controller.until("running")
    assert desk.run("presume", "unit-1", "power", "maybe").code == 2
    assert desk.run("presume", "unit-1", "powr", "true").code == 2
    assert "power true ◌ presumed" in desk.run("presume", "unit-1", "power", "true").out
    state = desk.run("status", "--json").document["states"]["unit-1"]["power"]
    assert (state["value"], state["known"]) == (True, "presumed")


@pytest.mark.slow
def test_a_captured_burst_is_sent_again(desk: Desk) -> None:
    desk.chain(units=1)
    header = {
        "linewarden_recording": 1,
        "bus": "hall",
        "profile": "pellgate-chain",
        "line": {"baud": 4800, "frame": "8N1", "bit_order": "lsb", "idle": "high"},
        "started": "2026-01-05T19:30:00Z",
    }
    records = [
        {"t": 0.1, "direction": "sent", "data": "A5 01 01 02"},
        {"t": 2.0, "direction": "sent", "data": "A5 01 20 07 28"},
    ]
    desk.write("evening.jsonl", "\n".join(json.dumps(line) for line in (header, *records)) + "\n")
    said = desk.run("send", "hall", "evening.jsonl", "--burst", "2", "--allow-raw")
    assert said.code == 0, said
    assert "A5 01 20 07 28" in said.out
    assert desk.run("send", "hall", "evening.jsonl", "--burst", "3", "--allow-raw").code == 2
    assert desk.run("send", "hall", "none.jsonl", "--allow-raw").code == 2


@pytest.mark.slow
def test_a_controller_of_another_site_file_is_refused(desk: Desk) -> None:
    desk.chain(units=1)
    controller = desk.start("run")
    controller.until("running")
    desk.write("other.toml", (desk.folder / "site.toml").read_text())
    said = desk.run("act", "unit-1", "power-on", "--site", "other.toml")
    assert said.code == 2
    assert "another file" in said.err


def test_listening_where_there_is_no_adapter_says_so(desk: Desk) -> None:
    desk.chain(units=1).order("unplug")
    said = desk.run("listen", "hall", "--seconds", "0.3")
    assert said.code == 1
    assert "not there" in said.err


def test_status_without_a_controller_shows_the_locks_and_what_was_known(desk: Desk) -> None:
    desk.chain(units=2)
    assert desk.run("act", "hall", "standby").code == 0
    desk.run("lock", "unit-1", "--why", "new fuse", "--who", "Ada")
    # A journal outlives its site's file: a unit that is no longer in it is no longer told of.
    site = desk.folder / "site.toml"
    site.write_text(site.read_text().split("[units.unit-2]")[0])
    said = desk.run("status")
    assert said.code == 1
    assert "locked: unit-1 by Ada: new fuse" in said.out
    assert "unit-1: power unknown, last false" in said.out
    assert "unit-2" not in said.out


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux has /dev/full")
def test_a_full_standard_output_is_no_traceback(desk: Desk) -> None:
    import subprocess

    desk.chain(units=1)
    with open("/dev/full", "wb") as full:  # noqa: PTH123 -- a device, not a path of ours
        done = subprocess.run(
            [sys.executable, "-m", "tui.cli", "act", "unit-1", "power-on"],
            cwd=desk.folder,
            env=desk.environment,
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
            timeout=30,
            check=False,
        )
    assert done.returncode == 1
    assert "Traceback" not in done.stderr
    assert len(done.stderr.splitlines()) == 1
