"""Every command that a page shows is run: here, or by the test that walks its page as a whole."""

from __future__ import annotations

import re
import shlex
import shutil
import signal
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

import pytest

from tests.controller.qualifying.halls import PROFILE
from tests.pages import ROOT, shown_commands
from tests.peers.mosquitto import Mosquitto
from tests.tui.busy import A_BUSY_MACHINE
from tests.tui.conftest import Desk, Said
from tests.tui.terminal import Open
from tui.cli import main

WALKED = {
    "README.md": "tests/tui/test_readme_walk.py",
    "bench.md": "tests/tui/test_bench_walk.py",
    "box.md": "tests/tui/test_box_walk.py",
    "wiring.md": "tests/tui/test_wiring_command.py",
}
"""Pages whose blocks are typed one after another, by which test."""
ELSEWHERE = {
    "linewarden demo --headless --fast": "tests/tui/test_drive.py",
    "linewarden probe hall --find-break": "tests/tui/test_find_break.py",
    "linewarden qualify foyer-amp --yes --tap ear": "tests/tui/test_qualify_command.py",
    "linewarden qualify foyer-amp --yes --capture power-on=on.csv --capture standby=off.csv": (
        "tests/tui/test_qualify_command.py"
    ),
}
"""Commands that another test runs, with what a page can't give: a lead that is moved, a tap, captures."""


@dataclass(frozen=True)
class Case:
    """A command, and what comes of it."""

    text: str
    """As the page shows it."""
    says: str
    """Part of what it says."""
    more: tuple[str, ...] = ()
    """Put behind it, so that it ends soon and elsewhere than at a place of the machine's own."""
    put: Mapping[str, str] = field(default_factory=dict)
    """What stands for a word of it here."""
    code: int = 0

    @property
    def words(self) -> list[str]:
        """What is called."""
        words = shlex.split(re.split(r"\s[|>]\s", self.text)[0])[1:]
        return [self.put.get(word, word) for word in words] + list(self.more)


FILES_ALONE = [
    Case("linewarden wiring --pull-up 5 --cable 10 --baud 9600", "R5  4.3 kΩ"),
    Case("linewarden wiring --pull-up 3.3 --cable 2 --baud 4800", "R5  11 kΩ"),
    Case("linewarden wiring --trigger 5..12 --supply 3.3", "R1  1.3 kΩ"),
    Case("linewarden ports", ""),
    Case("linewarden profiles show pellgate-chain --text", "baud = 4800"),
    Case("linewarden profiles checks", "xor-8"),
    Case("linewarden transcribe 00000101", "05 hex"),
    Case("linewarden completion bash > ~/.local/share/bash-completion/completions/linewarden", "complete -F"),
    Case("linewarden completion fish > ~/.config/fish/completions/linewarden.fish", "complete -c linewarden"),
    Case(
        "linewarden firmware pellgate-chain --address all --on set-volume level=20 --off standby "
        "--delay-off 30s -o timed",
        "ATmega328P",
    ),
    Case(
        "linewarden firmware pellgate-blind --address all --on open --off close --chip attiny84 "
        "--trigger high -o blinds",
        "ATtiny84",
    ),
    Case("linewarden run --unit-file | sudo tee /etc/systemd/system/linewarden@.service", "[Service]"),
    Case("linewarden check site.toml", "no faults"),
    Case("linewarden check FILE", "no faults", put={"FILE": "site.toml"}),
]
RUNNING = {"/etc/linewarden/larkfield.toml": "site.toml", "/var/lib/linewarden/larkfield": "state"}
SECOND = ("--site", "site.toml", "--state", "state")
AT_THE_CONTROLLER = [
    Case(
        "linewarden status --site /etc/linewarden/larkfield.toml --state /var/lib/linewarden/larkfield",
        "the controller runs",
        put=RUNNING,
    ),
    Case("linewarden status", "the controller runs", SECOND),
    Case("linewarden probe hall", "echo lag", SECOND),
    Case("linewarden sequence", "evening", SECOND),
    Case("linewarden sequence evening", "mixer power-on", SECOND),
    Case("linewarden sequence evening cancel", "is not on its way", SECOND, code=1),
    Case("linewarden sequence evening start", "evening up: done", SECOND),
    Case("linewarden sequence evening stop", "evening down: done", SECOND),
    Case("linewarden sequence evening start --yes", "evening up: done", SECOND),
    Case("linewarden triggers", "closing", SECOND),
    Case("linewarden off foyer-amp", "foyer-amp standby: confirmed", SECOND),
    Case("linewarden act foyer-amp power-on --yes", "foyer-amp power-on: confirmed", SECOND),
    Case("linewarden listen hall", "", (*SECOND, "--seconds", "0.2")),
    Case(
        "linewarden listen BUS --record FILE",
        "",
        (*SECOND, "--seconds", "0.2"),
        {"BUS": "hall", "FILE": "evening.jsonl"},
    ),
    Case("linewarden journal --traffic", "evening", SECOND),
]
LOCKED = [
    Case(
        'linewarden lock foyer-amp --why "new fuse" --who Ada', "foyer-amp is locked by Ada: new fuse", SECOND
    ),
    Case("linewarden unlock LOCK", "cleared; 0 locks left", SECOND),
]
QUICK = ("--baud", "4800")
LOOPED = {"/dev/ttyUSB0": "line", "PORT": "line", "BUS": "hall"}
AT_AN_ADAPTER = [
    Case("linewarden adapter PORT", "1 of 1 rates work", QUICK, LOOPED),
    Case("linewarden adapter /dev/ttyUSB0", "1 of 1 rates work", QUICK, LOOPED),
    Case("linewarden adapter PORT --keep-for BUS", "kept for bus hall", QUICK, LOOPED),
    Case("linewarden adapter /dev/ttyUSB0 --baud 4800 --keep-for hall", "kept for bus hall", put=LOOPED),
]
SHORT = ("--cycles", "1", "--on-for", "0.55", "--off-for", "0.05", "--yes")
QUALIFIED = [
    Case(
        "linewarden qualify unit-2 --cycles 20 --on-for 1 --off-for 0.5 --yes -o unit-2.html",
        "report: unit-2.html",
        (*SHORT, *A_BUSY_MACHINE),
    ),
    Case("linewarden qualify UNIT", "unit-1: pass", (*SHORT, *A_BUSY_MACHINE), {"UNIT": "unit-1"}),
]
UP = Case(
    "linewarden qualify foyer-amp --yes --ready up --limit power-up=12",
    "foyer-amp: pass",
    (*SHORT, *A_BUSY_MACHINE),
)
CAUTIONS = "Before you switch anything"
IN_A_TERMINAL = [
    Case("linewarden demo", "Stage mixer"),
    Case("linewarden dash", "back to the adapter"),
    Case("linewarden bench power-on_1.csv replay.csv", "4800 8N1"),
]
THROUGH_A_BROKER = [
    Case("linewarden dash --broker mqtts://broker.example", "back to the adapter"),
    Case(
        "linewarden dash --broker mqtts://broker.example --user dashboard --secret-file dashboard-secret",
        "back to the adapter",
    ),
]
BY_MQTT = Case(
    "linewarden act --broker mqtt://127.0.0.1 larkfield-hall-mixer set-volume level=20",
    "larkfield-hall-mixer set-volume level=20: confirmed",
)
A_CONTROLLER = Case("linewarden run", "nothing was sent", SECOND)
ANYWHERE = (*SECOND, "--web-address", "127.0.0.1:0")
TO_BROWSERS = [
    Case("linewarden dash --web", "http://127.0.0.1:", ANYWHERE),
    Case("linewarden dash --web --web-address hall.example:8321", "http://127.0.0.1:", ANYWHERE),
]
HERE = [
    *FILES_ALONE, *AT_THE_CONTROLLER, *LOCKED, *AT_AN_ADAPTER, *QUALIFIED, UP,
    *IN_A_TERMINAL, *THROUGH_A_BROKER, BY_MQTT, A_CONTROLLER, *TO_BROWSERS,
]  # fmt: skip


def site(*, broker: str = "") -> str:
    """The example of docs/site.md, on a bus `hall`, with its own broker or none, and asking nobody."""
    text = (ROOT / "docs" / "site.md").read_text(encoding="utf-8")
    (whole,) = (block for block in re.findall(r"```toml\n(.*?)```", text, re.DOTALL) if "[site]" in block)
    whole = whole.replace("sound", "hall").replace("ask_before_energise = true\n", "")
    whole = whole.replace("minimum_off_s = 5.0\n", "")
    asked = f'[mqtt]\nbroker = "{broker}"\n' if broker else ""
    return re.sub(r'\[mqtt\]\nbroker = ".*"\n', asked, whole)


def check_said(case: Case, said: Said) -> None:
    assert said.code == case.code, (case.text, said)
    assert case.says in said.out + said.err, (case.text, said)


def test_every_shown_command_is_run_somewhere() -> None:
    shown = shown_commands()
    # A screen is opened by none of these walks.
    walked = {each.text for each in shown if each.block and each.page in WALKED} - {
        case.text for case in IN_A_TERMINAL
    }
    here = {case.text for case in HERE}
    assert len(here) == len(HERE)
    assert {each.text for each in shown} - walked - here - ELSEWHERE.keys() == set()
    assert here | ELSEWHERE.keys() <= {each.text for each in shown}, "no page shows it any more"
    for command, path in ELSEWHERE.items():
        test = (ROOT / path).read_text(encoding="utf-8")
        options = [word for word in command.split() if word.startswith("--")]
        assert all(f'"{option}"' in test for option in options), command
    for page, path in WALKED.items():
        assert page in (ROOT / path).read_text(encoding="utf-8")


@pytest.mark.parametrize("case", FILES_ALONE, ids=lambda case: case.text)
def test_what_needs_files_alone(
    case: Case, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "site.toml").write_text(site(), encoding="utf-8")
    assert main(case.words) == case.code
    said = capsys.readouterr()
    assert case.says in said.out
    assert said.err == ""


@pytest.mark.slow
@pytest.mark.timeout(180)
def test_what_goes_through_a_controller(desk: Desk) -> None:
    desk.write("site.toml", site())
    controller = desk.start(*A_CONTROLLER.words)
    assert A_CONTROLLER.says in controller.until("running")
    for case in AT_THE_CONTROLLER:
        check_said(case, desk.run(*case.words))
    assert (desk.folder / "evening.jsonl").exists()
    setting, clearing = LOCKED
    said = desk.run(*setting.words)
    check_said(setting, said)
    (lock,) = re.findall(r"linewarden unlock (\w+)", said.out)
    check_said(clearing, desk.run(*(lock if word == "LOCK" else word for word in clearing.words)))
    assert controller.end() == 0


@pytest.mark.slow
@pytest.mark.timeout(180)
def test_an_adapter_with_a_loop_back_plug(desk: Desk) -> None:
    desk.chain("pellgate-chain", 1, "--fault", "loop-back 0")
    for case in AT_AN_ADAPTER:
        said = desk.run(*case.words)
        check_said(case, said)
        assert said.err == ""


@pytest.mark.slow
@pytest.mark.timeout(180)
def test_a_unit_is_qualified(desk: Desk) -> None:
    chain = desk.chain(units=2)
    for case in QUALIFIED:
        check_said(case, desk.run(*case.words))
    assert (desk.folder / "unit-2.html").exists()
    assert chain.end() == 0


@pytest.mark.slow
@pytest.mark.timeout(180)
def test_a_unit_that_tells_that_it_is_up(desk: Desk) -> None:
    desk.write("quick.toml", PROFILE.replace("timeout_ms = 150.0", "timeout_ms = 2000.0"))
    chain = desk.chain("quick.toml", 1)
    desk.write("site.toml", (desk.folder / "site.toml").read_text().replace("unit-1", "foyer-amp"))
    run = desk.start(*UP.words)
    chain.until("obeys power-on")
    chain.type("press 1 warm")
    run.until(UP.says)
    assert "at most 12" in run.until("power-up time")
    assert run.end_of_itself() == 0


def look_at(terminal: Open, case: Case) -> None:
    """Open a screen, and leave it again."""
    screen = terminal(shlex.join(case.words))
    screen.until(CAUTIONS)
    screen.type("Enter")
    screen.until(case.says, holds=lambda shown: CAUTIONS not in shown)
    screen.type("C-q")
    screen.until_ended()
    assert not screen.running, case.text


@pytest.mark.slow
@pytest.mark.peer("tmux")
@pytest.mark.timeout(180)
def test_what_opens_a_screen(desk: Desk, terminal: Open) -> None:
    desk.write("site.toml", site())
    for name in ("power-on_1.csv", "replay.csv"):
        shutil.copy(ROOT / "tests" / "data" / "captures" / name, desk.folder)
    for case in IN_A_TERMINAL:
        look_at(terminal, case)
    assert "nothing" in desk.run("journal").out


@pytest.mark.slow
@pytest.mark.peer("tmux", "mosquitto")
@pytest.mark.timeout(180)
def test_what_goes_through_a_broker(desk: Desk, terminal: Open) -> None:
    desk.write("dashboard-secret", "word\n").chmod(0o600)
    with Mosquitto(desk.folder / "mosquitto") as broker:
        url = f"mqtt://127.0.0.1:{broker.port}"
        put = {"mqtts://broker.example": url, "mqtt://127.0.0.1": url}
        desk.write("site.toml", site(broker=url))
        controller = desk.start(*A_CONTROLLER.words)
        controller.until(A_CONTROLLER.says)
        case = replace(BY_MQTT, put=put)
        check_said(case, desk.run(*case.words))
        for case in THROUGH_A_BROKER:
            look_at(terminal, replace(case, put=put))
        assert controller.end() == 0


@pytest.mark.slow
@pytest.mark.timeout(180)
def test_what_serves_browsers(desk: Desk) -> None:
    pytest.importorskip("textual_serve", reason="an extra")
    desk.write("site.toml", site())
    controller = desk.start(*A_CONTROLLER.words)
    controller.until(A_CONTROLLER.says)
    for case in TO_BROWSERS:
        server = desk.start(*case.words)
        assert case.says in server.until(case.says)
        assert server.end(signal.SIGINT) in (0, 130)
    assert controller.end() == 0
