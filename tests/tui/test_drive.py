"""The main job as a person does it: a chain behind a real pty in one process, commands against it."""

from __future__ import annotations

import json
import signal

import pytest

from tests.tui.conftest import Desk


def test_an_action_goes_round_a_chain_of_four_and_is_confirmed(desk: Desk) -> None:
    desk.chain(units=4)
    said = desk.run("act", "unit-4", "power-on", "--json")
    assert said.code == 0
    told = said.document
    assert told["outcome"] == "confirmed"
    assert told["frames"] == told["echoed"] == 4
    assert told["units_answering"] in (4, None)
    # 4 frames x (4 + 1) x 10 bits / 4800 baud: a store-and-forward unit returns a frame 10 bit times later at
    # 8N1 (common practice, no source).
    assert told["wire_ms"] == round(4 * 5 * 10 / 4800 * 1000, 3)
    assert told["took_ms"] >= told["wire_ms"] * 0.98


def test_the_unit_at_the_far_end_really_switches_on(desk: Desk) -> None:
    chain = desk.chain(units=4)
    assert desk.run("act", "unit-4", "power-on").code == 0
    shown = chain.order("show")
    assert "unit 4" in shown or "unit 4" in chain.until("unit 4")


def test_a_cut_chain_says_what_broke_and_what_to_look_at(desk: Desk) -> None:
    chain = desk.chain(units=4)
    chain.order("cut 2")
    said = desk.run("act", "unit-4", "power-on")
    assert said.code == 1
    assert said.out == ""
    assert len(said.err.splitlines()) == 1
    assert "no-echo" in said.err
    assert "look at the cables" in said.err
    chain.order("clear all")
    assert desk.run("act", "unit-4", "power-on").code == 0


def test_a_unit_that_stops_in_the_middle_is_told_apart_from_an_open_ring(desk: Desk) -> None:
    chain = desk.chain(units=2)
    # Frames are counted from 1 as they come back: with three attempts, frames 2, 3 and 4 are the second frame
    # of each (a sender that sees no echo stops: common practice, no source).
    chain.order("drop 2")
    said = desk.run("act", "unit-1", "power-on", "--json")
    assert said.document["outcome"] == "confirmed"
    assert said.document["attempts"] == 2


def test_a_lock_holds_and_off_passes_it(desk: Desk) -> None:
    desk.chain(units=2)
    locked = desk.run("lock", "unit-2", "--why", "new fuse", "--who", "Ada", "--json")
    assert locked.code == 0
    refused = desk.run("act", "unit-2", "power-on")
    assert refused.code == 1
    assert "new fuse" in refused.err
    assert "Ada" in refused.err
    assert desk.run("act", "unit-1", "power-on").code == 0
    assert desk.run("act", "hall", "power-on").code == 1  # to all units: one of them is locked
    assert desk.run("off").code == 0
    assert desk.run("unlock", locked.document["id"][:8]).code == 0
    assert desk.run("act", "unit-2", "power-on").code == 0
    assert desk.run("unlock", "0000").code == 1


@pytest.mark.slow
def test_raw_bytes_need_consent_and_an_unlocked_bus(desk: Desk) -> None:
    desk.chain(units=2)
    assert desk.run("send", "hall", "A5 01 01 02").code == 2
    sent = desk.run("send", "hall", "A5", "01", "01", "02", "--allow-raw", "--json")
    assert sent.document["outcome"] == "confirmed"
    desk.run("lock", "unit-2", "--why", "open")
    assert desk.run("send", "hall", "A5 01 01 02", "--allow-raw").code == 1
    assert desk.run("send", "hall", "A5 0", "--allow-raw").code == 2


@pytest.mark.slow
def test_the_same_id_twice_is_one_command(desk: Desk) -> None:
    chain = desk.chain(units=1)
    first = desk.run("act", "unit-1", "volume-up", "--id", "one-step", "--json")
    assert first.code == 0
    chain.order("cut 0")
    again = desk.run("act", "unit-1", "volume-up", "--id", "one-step", "--json")
    assert again.document == first.document


@pytest.mark.slow
def test_a_running_controller_serves_the_other_commands(desk: Desk) -> None:
    desk.chain(units=3)
    assert desk.run("status").code == 1
    controller = desk.start("run")
    controller.until("running; nothing was sent")
    status = desk.run("status", "--json")
    assert status.code == 0
    assert status.document["running"] is True
    assert status.document["buses"][0]["link"] == "up"
    health = status.document["health"]
    assert (health["journal"], health["buses"], health["locks"]) == (True, {"hall": "up"}, 0)
    assert health["disk_free_mb"] > 0
    assert "; the journal takes entries; free on its disk: " in desk.run("status").out
    assert desk.run("act", "unit-3", "set-volume", "level=12", "--json").document["outcome"] == "confirmed"
    state = desk.run("status", "--json").document["states"]["unit-3"]["volume"]
    assert (state["value"], state["known"]) == (12, "confirmed")
    assert desk.run("probe", "hall").code == 0
    assert controller.end() == 0


@pytest.mark.slow
def test_after_a_restart_states_are_unknown_with_their_last_value(desk: Desk) -> None:
    desk.chain(units=1)
    assert desk.run("act", "unit-1", "set-volume", "level=33").code == 0
    controller = desk.start("run")
    controller.until("running")
    state = desk.run("status", "--json").document["states"]["unit-1"]["volume"]
    assert (state["value"], state["known"], state["last_known"]) == (None, "unknown", 33)


@pytest.mark.slow
def test_a_second_controller_is_told_of_the_first(desk: Desk) -> None:
    desk.chain(units=1)
    first = desk.start("run")
    first.until("running")
    second = desk.run("run")
    assert second.code == 1
    assert str(first.pid) in second.err


@pytest.mark.slow
def test_listening_tells_the_meaning_and_records(desk: Desk) -> None:
    chain = desk.chain(units=2)
    controller = desk.start("run")
    controller.until("running")
    listener = desk.start("listen", "hall", "--seconds", "20", "--record", "evening.jsonl", "--json")
    for level in range(1, 60):
        # Pressed until the listener is there to hear it: each press is another value.
        chain.order(f"press 1 set-volume level={level}")
        if "Volume told" in listener.soon():
            break
    assert listener.end(signal.SIGINT) == 0
    header, *records = [json.loads(line) for line in (desk.folder / "evening.jsonl").read_text().splitlines()]
    assert header["linewarden_recording"] == 1
    assert header["line"]["baud"] == 4800
    assert bytes.fromhex(records[0]["data"])[:1] == b"\xa6"
    assert desk.run("listen", "hall", "--seconds", "1", "--record", "evening.jsonl").code == 2


@pytest.mark.slow
def test_the_journal_has_every_command_and_its_outcome(desk: Desk) -> None:
    chain = desk.chain(units=1)
    desk.run("act", "unit-1", "power-on")
    chain.order("cut 0")
    desk.run("act", "unit-1", "standby")
    entries = desk.run("journal", "--json", "--traffic").document
    assert [entry["outcome"]["result"] for entry in entries] == ["failed", "confirmed"]
    assert entries[0]["outcome"]["reason"] == "no-echo"
    assert bytes.fromhex(entries[0]["traffic"][0]["data"])[:1] == b"\xa5"
    assert "no-echo" in desk.run("journal", "--result", "failed").out
    assert desk.run("journal", "--text", "nothing of the kind").out.startswith("the journal has nothing")
    assert desk.run("journal", "--since", "yesterday").code == 2


@pytest.mark.slow
def test_an_adapter_that_vanishes_fails_the_command_and_comes_back(desk: Desk) -> None:
    chain = desk.chain(units=1)
    controller = desk.start("run", "--verbose")
    controller.until("running")
    chain.order("unplug")
    controller.until("alert: hall: the adapter is not there")
    said = desk.run("act", "unit-1", "power-on")
    assert said.code == 1
    assert "link-lost" in said.err
    chain.order("plug")
    controller.until("over: hall")
    assert desk.run("act", "unit-1", "power-on").code == 0


def test_the_demo_goes_as_told(desk: Desk) -> None:
    said = desk.run("demo", "--headless", "--fast")
    assert said.code == 0, said.out
    assert "did not go as" not in said.out
    assert "no-echo" in said.out
    assert "no emergency stop" in said.out


@pytest.mark.slow
def test_a_chain_that_is_started_again_takes_the_site_file_that_it_wrote_and_no_other(desk: Desk) -> None:
    words = (
        "sim",
        "--profile",
        "pellgate-chain",
        "--units",
        "2",
        "--seconds",
        "0.1",
        "--site-file",
        "site.toml",
    )
    assert desk.run(*words).code == 0
    assert desk.run(*words, "--link", str(desk.folder / "line")).code == 0
    written = (desk.folder / "site.toml").read_text()
    assert f'port = "{desk.folder / "line"}"' in written
    desk.write("site.toml", written.replace("Unit 2", "Lobby"))
    refused = desk.run(*words)
    assert refused.code == 2
    assert "is there already" in refused.err
    assert "Lobby" in (desk.folder / "site.toml").read_text()
