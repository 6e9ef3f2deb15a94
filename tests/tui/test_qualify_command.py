"""``linewarden qualify`` as a person calls it: on a simulated chain behind a real pty, with faults."""

from __future__ import annotations

import json
import signal
from pathlib import Path

import pytest

from tests.profiles.bench.captures import write_logic
from tests.tui.busy import LATE_ECHOES
from tests.tui.conftest import Desk
from tests.tui.in_process import verify_told_wrong
from tests.tui.splitter import Splitter

QUICK = ("--on-for", "0.55", "--off-for", "0.05", "--yes")


def documents(desk: Desk) -> list[Path]:
    return sorted(desk.folder.glob("qualify-*.json"))


@pytest.mark.slow
def test_a_unit_is_qualified_and_the_report_written(desk: Desk) -> None:
    desk.chain(units=2)
    said = desk.run("qualify", "unit-2", "--cycles", "2", *QUICK, *LATE_ECHOES, "--json", "-o", "report.html")
    assert (said.code, said.err) == (0, "")
    told = said.document
    assert (told["verdict"], told["complete"], told["plan"]["completed"]) == ("pass", True, 2)
    assert told["report"] == "report.html"
    page = (desk.folder / "report.html").read_text()
    assert "✓ Passed" in page.replace("</b>", "").replace("<b>", "")
    beside = json.loads((desk.folder / "report.json").read_text())
    assert beside["commands"] == told["commands"]
    assert beside["adapter"]["port"] == str(desk.folder / "line")
    # Everything that was sent went through the journal as everybody's commands do.
    entries = desk.run("journal", "--unit", "unit-2", "--json").document
    assert len(entries) == len(told["commands"]) == 5


@pytest.mark.parametrize(
    ("words", "part"),
    [
        (["unit-1"], "--yes"),
        (["unit-9", "--yes"], "unit-9"),
        (["unit-1", "--yes", "--cycles", "0"], "cycles"),
        (["unit-1", "--yes", "--limit", "speed=3"], "speed=3"),
        (["unit-1", "--yes", "--on", "mute-on"], "on action"),
        (["unit-1", "--yes", "--capture", "standby"], "ACTION=FILE"),
        (["unit-1", "--yes", "--capture", "mute-on=site.toml"], "not done"),
        (["unit-1", "--yes", "--original", "standby=a.csv"], "no capture"),
        (["unit-1", "--yes", "--tap", "hall"], "driven on"),
        (["unit-1", "--yes", "-o", "report.pdf"], ".html"),
        (["unit-1", "--yes", "-o", "site.html"], "is there already"),
    ],
)
def test_what_is_wrong_is_one_line_and_nothing_is_sent(
    words: list[str],
    part: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "site.html").write_text("mine")
    (tmp_path / "site.toml").write_text(SIMULATED)
    call = ["qualify", *words, "--site", "site.toml", "--state", "state"]
    assert part in verify_told_wrong(call, capsys)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["site.html", "site.toml"]


SIMULATED = """
[site]
id = "larkfield-hall"

[buses.hall]
port = "sim://pellgate-chain?units=1"
profile = "pellgate-chain"
topology = "ring"

[units.unit-1]
bus = "hall"
address = 1
"""


@pytest.mark.slow
def test_faults_are_counted_by_kind_and_fail_the_unit(desk: Desk) -> None:
    chain = desk.chain(units=4)
    # One frame in twenty-three of those that come back is lost: most commands still come about, by retries.
    chain.order("drop 23 every")
    said = desk.run("qualify", "unit-4", "--cycles", "6", *QUICK, "--json")
    assert said.code == 1
    limits = {each["name"]: each["met"] for each in said.document["limits"]}
    assert limits["retried"] is False
    chain.order("clear all")
    chain.order("cut 2")
    said = desk.run("qualify", "unit-4", "--cycles", "3", *QUICK)
    assert said.code == 1
    assert "before the first cycle" in said.out  # a unit that can't be told to be off is not switched on
    newest = json.loads(documents(desk)[-1].read_text())
    assert newest["complete"] is False
    assert newest["figures"]["commands"] == 0


@pytest.mark.slow
def test_ctrl_c_leaves_the_unit_off_and_writes_the_report(desk: Desk) -> None:
    chain = desk.chain(units=1)
    controller = desk.start("run")
    controller.until("running")
    run = desk.start("qualify", "unit-1", "--cycles", "50", "--on-for", "5", "--off-for", "0.1", "--yes")
    while "power true" not in desk.run("status").out:
        pass
    assert run.end(signal.SIGINT) == 1
    newest = json.loads(documents(desk)[-1].read_text())
    assert newest["incomplete"] == "it was stopped"
    assert newest["commands"][-1]["phase"] == "restore"
    assert newest["left"] == "false (confirmed)"
    page = documents(desk)[-1].with_suffix(".html").read_text()
    assert "Incomplete" in page
    shown = chain.order("show")
    assert "power = false" in (shown + chain.soon())


@pytest.mark.slow
def test_everything_off_from_elsewhere_ends_it(desk: Desk) -> None:
    desk.chain(units=1)
    controller = desk.start("run")
    controller.until("running")
    run = desk.start("qualify", "unit-1", "--cycles", "50", "--on-for", "5", "--off-for", "0.1", "--yes")
    while "power true" not in desk.run("status").out:
        pass
    assert desk.run("off").code == 0
    assert "meanwhile" in run.until("meanwhile")
    run.until("data:")
    assert run.end(0) == 1  # it ends by itself
    assert "power false" in desk.run("status").out


@pytest.mark.slow
def test_a_tap_and_captures_say_what_was_on_the_line(desk: Desk) -> None:
    chain = desk.chain(units=2)
    with Splitter(str(desk.folder / "line")) as split:
        site = (desk.folder / "site.toml").read_text()
        tap = f'\n[buses.ear]\nport = "{split.tap}"\nprofile = "pellgate-chain"\ntopology = "tap"\n'
        desk.write("split.toml", site.replace(str(desk.folder / "line"), split.adapter) + tap)
        on, off = bytes.fromhex("A5 02 01 03"), bytes.fromhex("A5 02 02 04")
        write_logic(desk.folder / "on.csv", [on] * 3)
        write_logic(desk.folder / "off.csv", [off] * 2, baud=4800 * 1.06)
        words = (
            "qualify",
            "unit-2",
            "--site",
            "split.toml",
            "--cycles",
            "3",
            *QUICK,
            *LATE_ECHOES,
            "--tap",
            "ear",
        )
        said = desk.run(*words, "--capture", "power-on=on.csv", "--json")
        assert (said.code, said.err) == (0, "")
        assert said.document["figures"]["tapped"] == {"whole": 6, "of": 6}
        (waveform,) = said.document["waveforms"]
        assert (waveform["verdict"], waveform["messages"]) == ("same", 3)
        assert "<svg" in Path(desk.folder / said.document["report"]).read_text()
        said = desk.run(*words, "--capture", "standby=off.csv", "--json")
        assert said.code == 1
        assert said.document["waveforms"][0]["matches"] is False
        split.deaf = True
        said = desk.run(*words, "--json")
        assert said.code == 1
        assert said.document["figures"]["tapped"] == {"whole": 0, "of": 6}
    assert chain.end() == 0
