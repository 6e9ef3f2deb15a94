"""``sim://`` ports through pyserial."""

from __future__ import annotations

import errno
import selectors
import threading
import time
from pathlib import Path

import pytest
import serial

from controller.simulator import register, url
from controller.simulator.medium import Topology
from controller.simulator.registry import names, running, stop
from controller.simulator.url import parse_url
from controller.simulator.urlhandler.protocol_sim import MACHINE_JITTER, Serial
from profiles.errors import InputError, LinewardenError, NotKnown, PortUnavailable
from tests.controller.simulator.benches import CHAIN, POWER_ON

pytestmark = pytest.mark.usefixtures("simulated_ports")
URL = "sim://pellgate-chain-115200?units=4&name=hall"


def opened(text: str = URL, timeout: float | None = 10) -> Serial:
    port = serial.serial_for_url(text, timeout=timeout)
    assert isinstance(port, Serial)
    return port


def test_an_action_goes_round_and_its_name_finds_the_line() -> None:
    with opened() as port:
        port.write(POWER_ON[2])
        assert port.read(4) == POWER_ON[2]
        assert running("hall").states()[2]["power"] is True
        assert [happened.what for happened in running("hall").happenings()] == ["obeys power-on"]


def test_no_echo_is_ever_earlier_than_the_line_allows() -> None:
    with opened() as port:
        lags = []
        for byte in range(50):
            before = time.perf_counter()
            port.write(bytes((byte,)))
            assert port.read(1) == bytes((byte,))
            lags.append(time.perf_counter() - before)
    assert min(lags) >= 5 * 10 / 115200


def test_its_descriptor_can_be_waited_on() -> None:
    with opened(timeout=0) as port, selectors.DefaultSelector() as selector:
        selector.register(port.fileno(), selectors.EVENT_READ)
        assert selector.select(0) == []
        assert port.read(1) == b""
        port.write(b"\x41\x42\x43")
        got = b""
        while len(got) < 3:
            assert selector.select(10)
            got += port.read(port.in_waiting)
        assert got == b"\x41\x42\x43"


def test_what_is_written_to_the_descriptor_itself_reaches_the_line() -> None:
    import os

    with opened() as port:
        os.write(port.fileno(), POWER_ON[1])
        assert port.read(4) == POWER_ON[1]


def test_a_read_ends_with_its_time_or_when_it_is_cancelled() -> None:
    with opened(timeout=0.01) as port:
        assert port.read(1) == b""
    with opened(timeout=None) as port:
        got: list[bytes] = []
        waiting = threading.Thread(target=lambda: got.append(port.read(1)))
        waiting.start()
        port.cancel_read()
        waiting.join(10)
        assert got == [b""]


def test_bytes_wait_to_be_read_and_can_be_thrown_away() -> None:
    with opened() as port:
        port.write(bytes(range(200)) * 20)
        # 4000 frames at 115200 baud are some 350 ms; no more than the socket holds may be lost meanwhile.
        got = port.read(100)
        while port.in_waiting < 3000:
            time.sleep(0.01)
        port.reset_input_buffer()
        assert got == bytes(range(100))
        port.reset_output_buffer()
        port.write(b"\xf0")
        # What was on its way already still comes, and then this.
        assert port.read_until(b"\xf0")[-1:] == b"\xf0"
    assert running("hall").live.lost == 0


def test_what_has_not_left_can_be_waited_for_and_taken_back() -> None:
    with opened("sim://pellgate-chain-1200?units=1", timeout=1) as port:
        port.write(bytes(range(100)))
        assert 90 <= port.out_waiting <= 99
        port.reset_output_buffer()
        assert port.out_waiting == 0
        port.flush()
        assert port.read(100) == bytes(range(len(b"\x00")))


def test_control_lines_are_read_and_driven() -> None:
    with opened() as port:
        assert (port.cts, port.dsr, port.ri, port.cd) == (False, False, False, False)
        for name in ("cts", "dsr", "dcd", "ri"):
            assert running("hall").order(f"line {name} on") == f"set: line {name} on"
        assert (port.cts, port.dsr, port.ri, port.cd) == (True, True, True, True)
        running("hall").order("line cts off")
        assert port.cts is False
        driven = running("hall").driven
        assert (driven.dtr, driven.rts) == (True, True)
        port.dtr = False
        port.rts = False
        assert (driven.dtr, driven.rts) == (False, False)


def test_dtr_and_rts_stand_before_the_port_is_opened() -> None:
    port = serial.serial_for_url(URL, do_not_open=True)
    port.dtr = False
    port.rts = False
    port.open()
    assert (running("hall").driven.dtr, running("hall").driven.rts) == (False, False)
    port.close()


def test_after_unplugging_every_call_fails_and_after_plugging_the_same_line_is_there() -> None:
    port = opened()
    port.write(POWER_ON[3])
    assert port.read(4) == POWER_ON[3]
    running("hall").order("unplug")
    for call in (
        lambda: port.read(1),
        lambda: port.write(b"\x01"),
        port.reset_input_buffer,
        lambda: port.cts,
    ):
        with pytest.raises(serial.SerialException, match="unplugged"):
            call()
    assert port.is_open
    port.close()
    with pytest.raises(serial.SerialException) as caught:
        opened()
    assert caught.value.errno == errno.ENOENT
    running("hall").order("plug")
    with opened() as again:
        again.write(b"\x55")
        assert again.read(1) == b"\x55"
        assert running("hall").states()[3]["power"] is True


def test_a_read_that_waits_is_woken_by_unplugging() -> None:
    port = opened(timeout=None)
    ends: list[BaseException] = []

    def wait() -> None:
        try:
            port.read(1)
        except serial.SerialException as error:
            ends.append(error)

    waiting = threading.Thread(target=wait)
    waiting.start()
    running("hall").order("unplug")
    waiting.join(10)
    port.close()
    assert len(ends) == 1


def test_a_line_can_begin_unplugged() -> None:
    with pytest.raises(serial.SerialException):
        opened(URL + "&order=unplug")
    running("hall").order("plug")
    with opened(URL + "&order=unplug") as port:
        port.write(b"\x12")
        assert port.read(1) == b"\x12"


def test_a_line_with_a_name_runs_on_and_one_without_ends_with_its_port() -> None:
    opened().close()
    assert names() == ("hall",)
    opened("sim://pellgate-chain-9600").close()
    assert names() == ("hall",)
    stop("hall")
    with pytest.raises(NotKnown, match="no simulated line 'hall'"):
        running("hall")


def test_a_line_takes_one_port_at_a_time() -> None:
    with opened():
        with pytest.raises(serial.SerialException) as caught:
            opened()
        assert caught.value.errno == errno.EBUSY
        with pytest.raises(PortUnavailable, match="other settings"):
            opened("sim://pellgate-chain-115200?units=3&name=hall")


def test_a_line_that_is_not_in_use_gives_way_to_one_with_other_settings() -> None:
    opened().close()
    with opened("sim://pellgate-chain-115200?units=2&name=hall"):
        assert list(running("hall").states()) == [1, 2]


def test_ending_a_line_is_a_lost_port_for_whoever_has_it_open() -> None:
    with opened() as port:
        stop("hall")
        with pytest.raises(serial.SerialException):
            port.read(1)


def test_a_closed_port_says_that_it_is_closed() -> None:
    port = opened()
    port.close()
    for call in (lambda: port.read(1), lambda: port.write(b"\x01"), lambda: port.in_waiting, port.fileno):
        with pytest.raises(serial.PortNotOpenError):
            call()


def test_a_url_says_how_the_line_and_the_adapter_are_built() -> None:
    said = parse_url(
        "sim://pellgate-chain?units=3&topology=shared&hears_itself=false&addresses=4,5,9&latency_ms=16"
        "&timer=free-running&batch=32&response_delay_ms=2.5&hop_bits=9.5&name=foyer&order=cut+2&order=slow+1+8ms"
    )
    assert (said.profile, said.name, said.orders) == ("pellgate-chain", "foyer", ("cut 2", "slow 1 8ms"))
    assert (said.layout.units, said.layout.topology, said.layout.hears_itself) == (3, Topology.SHARED, False)
    assert (said.layout.addresses, said.layout.response_delay_s, said.layout.hop_bits) == (
        (4, 5, 9),
        0.0025,
        9.5,
    )
    assert (said.facts.latency_s, said.facts.free_running, said.facts.batch) == (0.016, True, 32)


@pytest.mark.parametrize(
    ("text", "profile"),
    [
        ("sim:///srv/my%20profile.toml", "/srv/my profile.toml"),
        ("sim://./mine.toml", "./mine.toml"),
        ("sim://C:/bench/mine.toml?units=2", "C:/bench/mine.toml"),
        ("sim://Pellgate-Chain", "Pellgate-Chain"),
    ],
)
def test_a_url_names_a_profile_or_a_path(text: str, profile: str) -> None:
    assert parse_url(text).profile == profile


@pytest.mark.parametrize(
    ("query", "word"),
    [
        ("unit=4", "did you mean units"),
        ("units=four", "units must be a whole number, not 'four'"),
        ("units=99", "no address"),
        ("topology=star", "topology must be ring, open, shared, tap, not 'star'"),
        ("latency_ms=soon", "latency_ms must be a number"),
        ("latency_ms=-1", "can't be -0.001 s late"),
        ("latency_ms=nan", "can't be"),
        ("hears_itself=perhaps", "true or false"),
        ("timer=none", "first-byte or free-running"),
        ("order=cutt+2", "did you mean `cut K`"),
        ("order=cut+9", "no unit 9"),
    ],
)
def test_a_wrong_url_is_one_clear_error_and_leaves_nothing_running(query: str, word: str) -> None:
    with pytest.raises(PortUnavailable) as caught:
        opened(f"sim://pellgate-chain-9600?{query}")
    assert word in str(caught.value)
    assert "sim://" in str(caught.value)
    assert names() == ()


def test_a_url_without_a_profile_says_so() -> None:
    with pytest.raises(PortUnavailable, match="names no profile"):
        opened("sim://?units=2")


def test_by_default_a_profile_is_one_of_the_library_or_a_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(url, "_load", url._from_library)
    with opened("sim://pellgate-chain?units=2"):
        assert running(names()[0]).live.line.chain.profile.profile.name == "pellgate-chain"
    path = tmp_path / "mine.toml"
    path.write_text(CHAIN)
    with opened(f"sim://{path}?units=2") as port:
        port.write(POWER_ON[2])
        assert port.read(4) == POWER_ON[2]
    with pytest.raises(PortUnavailable, match="there is no profile"):
        opened(f"sim://{tmp_path}/other.toml")
    path.write_text("schema = 1\n[line\n")
    with pytest.raises(LinewardenError):
        opened(f"sim://{path}")


def test_registering_twice_is_once() -> None:
    register()
    register()
    assert serial.protocol_handler_packages.count("controller.simulator.urlhandler") == 1


@pytest.mark.parametrize(
    ("query", "least_ms", "jitter_ms"),
    [("", 0, 0), ("&latency_ms=1", 1, 0), ("&latency_ms=16&timer=free-running", 0, 16)],
)
def test_the_port_tells_what_its_adapter_is_like(query: str, least_ms: int, jitter_ms: int) -> None:
    with opened(URL + query) as port:
        assert port.latency_s == least_ms / 1000
        assert port.jitter_s == pytest.approx(jitter_ms / 1000 + MACHINE_JITTER)
        port.write(POWER_ON[1])
        assert port.read(4) == POWER_ON[1]


def test_a_wrong_order_changes_nothing() -> None:
    with opened() as port:
        with pytest.raises(InputError):
            running("hall").order("cut nine")
        port.write(b"\x31")
        assert port.read(1) == b"\x31"


def test_several_threads_may_give_orders_while_bytes_flow() -> None:
    with opened() as port:
        done = threading.Event()

        def meddle() -> None:
            while not done.is_set():
                running("hall").order("slow 1 1ms")
                running("hall").order("clear")
                running("hall").order("show")

        meddling = [threading.Thread(target=meddle) for _ in range(2)]
        for thread in meddling:
            thread.start()
        for byte in range(100):
            port.write(bytes((byte,)))
            assert port.read(1) == bytes((byte,))
        done.set()
        for thread in meddling:
            thread.join(10)
        assert not any(thread.is_alive() for thread in meddling)


@pytest.mark.slow
def test_sixteen_full_lines_at_115200_baud_lose_and_mix_up_nothing() -> None:
    lines = 16
    ports = [
        opened(f"sim://pellgate-chain-115200?units=2&latency_ms=5&name=b{number}&order=saturate+2", timeout=0)
        for number in range(lines)
    ]
    said = b"".join(running("b0").live.line.console.saturating_messages(2))
    heard = [bytearray() for _ in ports]
    until = time.monotonic() + 10
    while time.monotonic() < until:
        for port, data in zip(ports, heard, strict=True):
            data += port.read(65536)
        time.sleep(0.005)
    for number, (port, data) in enumerate(zip(ports, heard, strict=True)):
        port.close()
        assert running(f"b{number}").live.lost == 0
        # A line that was full before its port was open is first heard in the middle of a message.
        first = (said + said).find(data[: len(said)])
        wanted = (said * (len(data) // len(said) + 2))[first : first + len(data)]
        # Apart from its assert: so many bytes take a minute to be compared in words.
        same = bytes(data) == wanted
        assert same
        assert len(data) > 100 * len(said)
