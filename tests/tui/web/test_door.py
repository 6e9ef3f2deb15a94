"""Who is let in. What a browser's Host and Origin look like: RFC 9110, section 7.2; RFC 6454, section 6.2."""

from __future__ import annotations

import string

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tui.web.door import Door, new_token

TOKEN = "Zm9yLXRlc3Rz"
HOST = "127.0.0.1:8321"
OWN = f"http://{HOST}"
DOOR = Door({HOST, "localhost:8321"}, TOKEN)


@pytest.mark.parametrize(
    ("path", "hosts", "origins", "websocket"),
    [
        (f"/{TOKEN}/", [HOST], [], False),
        (f"/{TOKEN}/static/page.js", [HOST], [], False),
        (f"/{TOKEN}/ws", [HOST], [OWN], True),
        (f"/{TOKEN}/", ["LOCALHOST:8321"], ["http://localhost:8321"], False),
    ],
)
def test_the_right_ones_come_in(path: str, hosts: list[str], origins: list[str], websocket: bool) -> None:
    assert DOOR.refusal(path, hosts, origins, websocket=websocket) is None


@pytest.mark.parametrize(
    ("path", "hosts", "origins", "websocket", "said"),
    [
        # No token, another one, one that is right but for its end or its beginning, signs beyond ASCII.
        ("/", [HOST], [], False, "token"),
        ("/ws", [HOST], [OWN], True, "token"),
        (f"/{TOKEN[::-1]}/", [HOST], [], False, "token"),
        (f"/{TOKEN[:-1]}/", [HOST], [], False, "token"),
        (f"/{TOKEN}x/", [HOST], [], False, "token"),
        (f"//{TOKEN}/", [HOST], [], False, "token"),
        (f"/static/{TOKEN}/", [HOST], [], False, "token"),
        (f"/{TOKEN.lower()}/", [HOST], [], False, "token"),
        ("/hällé\udce9/", [HOST], [], False, "token"),
        # A name that was pointed at this machine, a port that is another server's, none, two.
        (f"/{TOKEN}/", ["evil.example:8321"], [], False, "another name"),
        (f"/{TOKEN}/ws", ["evil.example:8321"], ["http://evil.example:8321"], True, "another name"),
        (f"/{TOKEN}/", ["127.0.0.1:8322"], [], False, "another name"),
        (f"/{TOKEN}/", ["127.0.0.1"], [], False, "another name"),
        (f"/{TOKEN}/", [], [], False, "another name"),
        (f"/{TOKEN}/", [HOST, "evil.example"], [], False, "another name"),
        # Another page; a page without an origin of its own; our names, but not the one that was asked for.
        (f"/{TOKEN}/ws", [HOST], ["http://evil.example"], True, "Other pages"),
        (f"/{TOKEN}/ws", [HOST], ["null"], True, "Other pages"),
        (f"/{TOKEN}/ws", [HOST], [], True, "Other pages"),
        (f"/{TOKEN}/ws", [HOST], [OWN, OWN], True, "Other pages"),
        (f"/{TOKEN}/ws", [HOST], [f"https://{HOST}"], True, "Other pages"),
        (f"/{TOKEN}/ws", [HOST], [f"{OWN}.evil.example"], True, "Other pages"),
        (f"/{TOKEN}/ws", [HOST], ["http://localhost:8321"], True, "Other pages"),
        (f"/{TOKEN}/static/page.js", [HOST], ["http://evil.example"], False, "Other pages"),
    ],
)
def test_all_others_are_refused(
    path: str, hosts: list[str], origins: list[str], websocket: bool, said: str
) -> None:
    refusal = DOOR.refusal(path, hosts, origins, websocket=websocket)
    assert refusal is not None
    assert said in refusal
    assert TOKEN not in refusal


@given(st.text(max_size=50), st.lists(st.text(max_size=30), max_size=2), st.booleans())
def test_no_path_comes_in_that_does_not_begin_with_the_token(
    path: str, origins: list[str], websocket: bool
) -> None:
    begins = path.removeprefix("/").split("/")[0] == TOKEN
    assert begins or DOOR.refusal(path, [HOST], origins, websocket=websocket) is not None


def test_a_token_is_new_each_time_and_long_enough() -> None:
    tokens = {new_token() for _ in range(100)}
    assert len(tokens) == 100
    # 43 signs of 6 bits hold the 256 that were drawn (RFC 4648, section 5).
    assert {len(token) for token in tokens} == {43}
    assert set("".join(tokens)) <= set(string.ascii_letters + string.digits + "-_")
