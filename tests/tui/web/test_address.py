"""Which names a served dashboard goes by."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from profiles.errors import InputError
from tui.web.address import DEFAULT_PORT, WebAddress, web_address


@pytest.mark.parametrize(
    ("text", "host", "port", "shown", "loopback"),
    [
        (None, "127.0.0.1", DEFAULT_PORT, f"127.0.0.1:{DEFAULT_PORT}", True),
        ("localhost:9000", "localhost", 9000, "localhost:9000", True),
        ("127.1.2.3", "127.1.2.3", DEFAULT_PORT, f"127.1.2.3:{DEFAULT_PORT}", True),
        # Brackets: RFC 3986, section 3.2.2. The addresses and names are those kept for documents: RFC 3849,
        # RFC 5737, RFC 2606. The short form of an IPv6 address: RFC 5952, section 4.
        ("[::1]:9000", "::1", 9000, "[::1]:9000", True),
        ("[2001:DB8:0:0::7]:9000", "2001:db8::7", 9000, "[2001:db8::7]:9000", False),
        ("192.0.2.7:9000", "192.0.2.7", 9000, "192.0.2.7:9000", False),
        ("Hall.Example:9000", "hall.example", 9000, "hall.example:9000", False),
        # A browser leaves out the port that HTTP has anyway: RFC 9110, section 4.2.3.
        ("hall.example:80", "hall.example", 80, "hall.example", False),
        # A name that begins like a loopback address is a name.
        ("127.0.0.1.hall.example:9000", "127.0.0.1.hall.example", 9000, "127.0.0.1.hall.example:9000", False),
    ],
)
def test_an_address_is_read(text: str | None, host: str, port: int, shown: str, loopback: bool) -> None:
    address = web_address(text)
    assert address == WebAddress(host, port)
    assert (address.shown, address.loopback) == (shown, loopback)
    assert shown in address.names


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("0.0.0.0:9000", "every address"),
        ("[::]:9000", "every address"),
        ("", "names no host"),
        (":9000", "names no host"),
        ("::1", "no host with a port"),
        ("[::1", "no host with a port"),
        ("[hall.example]:9000", "names no host"),
        ("127.1:9000", "names no host"),
        ("hall example", "names no host"),
        ("http://hall.example", "none from 0 to 65535"),
        ("user@hall.example", "names no host"),
        ("hall.example:", "none from 0 to 65535"),
        ("hall.example:65536", "none from 0 to 65535"),
        ("hall.example:-1", "none from 0 to 65535"),
        ("hall.example:٣", "none from 0 to 65535"),
    ],
)
def test_what_is_no_address_is_refused_with_a_way_out(text: str, said: str) -> None:
    with pytest.raises(InputError, match=said) as caught:
        web_address(text)
    assert caught.value.where == "--web-address"
    assert caught.value.todo


def test_on_loopback_this_machines_usual_names_are_its_own_and_elsewhere_they_are_not() -> None:
    assert web_address("127.0.0.1:9000").names == {"127.0.0.1:9000", "localhost:9000", "[::1]:9000"}
    assert web_address("192.0.2.7:9000").names == {"192.0.2.7:9000"}


@given(st.text(max_size=40))
def test_any_text_is_an_address_or_refused(text: str) -> None:
    try:
        address = web_address(text)
    except InputError:
        return
    assert web_address(address.shown if address.port != 80 else f"{address.shown}:80") == address
