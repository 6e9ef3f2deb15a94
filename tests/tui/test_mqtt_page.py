"""docs/mqtt.md, typed as it stands: its site, and mosquitto's own clients."""

from __future__ import annotations

import queue
import re
import shlex
import subprocess
import threading
from collections.abc import Iterator
from contextlib import contextmanager

import pytest

from tests.pages import ROOT
from tests.peers.mosquitto import Mosquitto, publish
from tests.tui.conftest import Desk

pytestmark = [
    pytest.mark.peer("mosquitto", "mosquitto_pub", "mosquitto_sub"),
    pytest.mark.slow,
    pytest.mark.timeout(180),
]

PAGE = (ROOT / "docs" / "mqtt.md").read_text(encoding="utf-8")
_PATIENCE = 60.0


def shown(number: int) -> list[tuple[list[str], list[str]]]:
    """The commands of a console block, each as words, with the lines that it is shown to print."""
    found: list[tuple[list[str], list[str]]] = []
    for line in (
        re.findall(r"```console\n(.*?)```", PAGE, re.DOTALL)[number].replace("\\\n", " ").splitlines()
    ):
        if line.startswith("$ "):
            found.append((shlex.split(line[2:].removesuffix(" &")), []))
        else:
            found[-1][1].append(line)
    return found


def at(broker: Mosquitto, words: list[str]) -> list[str]:
    """A command, to the broker of this test."""
    return [words[0], "-h", "127.0.0.1", "-p", str(broker.port), *words[1:]]


class Listener:
    """A mosquitto_sub, and what it prints."""

    def __init__(self, process: subprocess.Popen[str]) -> None:
        self._process = process
        self._lines: queue.Queue[str] = queue.Queue()
        threading.Thread(target=self._read, daemon=True).start()

    def _read(self) -> None:
        assert self._process.stdout is not None
        for line in self._process.stdout:
            self._lines.put(line.rstrip("\n"))

    def line(self, within: float = _PATIENCE) -> str:
        """The next line."""
        return self._lines.get(timeout=within)


@contextmanager
def listening(broker: Mosquitto, words: list[str]) -> Iterator[Listener]:
    """A mosquitto_sub that has subscribed."""
    process = subprocess.Popen(
        [*at(broker, words), "-t", "ready"], stdout=subprocess.PIPE, text=True, bufsize=1
    )
    listener = Listener(process)
    try:
        line = ""
        while not line.startswith("ready"):
            publish(broker, "ready", "yes")
            try:
                line = listener.line(0.2)
            except queue.Empty:
                continue
        yield listener
    finally:
        process.kill()
        process.communicate()


@contextmanager
def running(desk: Desk, broker: Mosquitto) -> Iterator[None]:
    """The page's site, at the broker of this test, announced whole."""
    (site,) = (block for block in re.findall(r"```toml\n(.*?)```", PAGE, re.DOTALL) if "[site]" in block)
    desk.write("site.toml", site.replace("127.0.0.1:1883", f"127.0.0.1:{broker.port}"))
    controller = desk.start("run")
    controller.until("nothing was sent")
    wait = ["mosquitto_sub", "-C", "1", "-W", "60", "-t", "homie/5/larkfield-hall/$state", "-F", "%p"]
    state = ""
    while state != "ready":
        state = subprocess.run(
            at(broker, wait), capture_output=True, text=True, check=True, timeout=_PATIENCE
        ).stdout.strip()
    yield
    assert controller.end() == 0


def test_it_is_tried_as_the_page_says(desk: Desk) -> None:
    (states, wanted), (watch, none), (order, answers) = shown(0)
    assert none == []
    with Mosquitto(desk.folder / "mosquitto") as broker, running(desk, broker):
        # Here it ends when all are there, however slow the machine is.
        assert states[2:4] == ["-W", "2"]
        soon = [*states[:3], "60", *states[4:], "-C", str(len(wanted))]
        seen = subprocess.run(
            at(broker, soon), capture_output=True, text=True, check=True, timeout=_PATIENCE + 10
        )
        assert sorted(seen.stdout.splitlines()) == sorted(wanted)
        with listening(broker, watch) as listener:
            subprocess.run(at(broker, order), check=True, timeout=_PATIENCE)
            heard: list[str] = []
            while not heard or "last/outcome" not in heard[-1]:
                line = listener.line()
                if not line.startswith("ready"):
                    heard.append(line)
    assert heard[:-1] == answers[:-1]
    topic, outcome = answers[-1].split(" ", 1)
    told = heard[-1].removeprefix(f"{topic} ")
    assert re.fullmatch(re.escape(outcome).replace(re.escape("..."), ".*"), told), (told, outcome)


def test_a_command_with_an_id_and_one_that_asks_for_its_outcome(desk: Desk) -> None:
    ((asking, _),), ((wanting, _),) = shown(1), shown(2)
    everything = ["mosquitto_sub", "-V", "5", "-v", "-R", "-t", "homie/5/larkfield-hall-mixer/last/outcome"]
    with Mosquitto(desk.folder / "mosquitto") as broker, running(desk, broker):
        with listening(broker, everything) as listener:
            subprocess.run(at(broker, asking), check=True, timeout=_PATIENCE)
            line = "ready"
            while line.startswith("ready"):
                line = listener.line()
            assert '"command_id":"panel-42"' in line
            assert '"result":"confirmed"' in line
        response = ["mosquitto_sub", "-V", "5", "-F", "%t %D", "-t", "linewarden/larkfield-hall/response/#"]
        with listening(broker, response) as listener:
            subprocess.run(at(broker, wanting), check=True, timeout=_PATIENCE)
            line = "ready"
            while line.startswith("ready"):
                line = listener.line()
    assert line == "linewarden/larkfield-hall/response/panel 42"
