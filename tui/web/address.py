"""Where the dashboard is served: the names that a browser may call it by. Pure."""

from __future__ import annotations

import ipaddress
import re
from dataclasses import dataclass

from profiles.errors import InputError

__all__ = ["DEFAULT_PORT", "WebAddress", "web_address"]

DEFAULT_PORT = 8321
_HERE = ("127.0.0.1", "localhost", "[::1]")
_NAME = re.compile(r"[a-z0-9]([a-z0-9-]*[a-z0-9])?(\.[a-z0-9]([a-z0-9-]*[a-z0-9])?)*")
_PORT = re.compile(r"[0-9]{1,5}")


@dataclass(frozen=True, slots=True)
class WebAddress:
    """One host and port; ``host`` is in lower case and without the brackets of IPv6."""

    host: str
    port: int

    @property
    def loopback(self) -> bool:
        """Whether only this machine reaches it."""
        if self.host == "localhost":
            return True
        try:
            return ipaddress.ip_address(self.host).is_loopback
        except ValueError:
            return False

    @property
    def shown(self) -> str:
        """As a browser's Host header has it: brackets around IPv6, no port where it is HTTP's own.

        Source: RFC 9110, section 7.2 and 4.2.3; RFC 3986, section 3.2.2.
        """
        return _with_port(f"[{self.host}]" if ":" in self.host else self.host, self.port)

    @property
    def names(self) -> frozenset[str]:
        """All Host headers that mean this server. On loopback, this machine's usual names as well."""
        return frozenset({self.shown, *(_with_port(name, self.port) for name in _HERE if self.loopback)})


def _with_port(name: str, port: int) -> str:
    return name if port == 80 else f"{name}:{port}"


def web_address(text: str | None) -> WebAddress:
    """Read ``HOST``, ``HOST:PORT`` or ``[IPv6]:PORT``; None is loopback.

    Raises:
        InputError: it is none, or stands for all addresses at once, so that nobody could say which names
            are its own.
    """
    if text is None:
        return WebAddress("127.0.0.1", DEFAULT_PORT)
    todo = "write it like 127.0.0.1:8321, desk.example or [::1]:8321"
    words = re.fullmatch(
        r"(\[(?P<six>[^\[\]]*)\]|(?P<name>[^:\[\]]*))(:(?P<port>[^:]*))?", text.strip().lower()
    )
    if words is None:
        raise InputError(f"{text!r} is no host with a port", where="--web-address", todo=todo)
    host = words["six"] if words["six"] is not None else words["name"]
    port = DEFAULT_PORT if words["port"] is None else _port(words["port"], text, todo)
    try:
        address = ipaddress.ip_address(host)
    except ValueError:
        numbers_only = not re.search(r"[a-z]", host)
        if words["six"] is not None or numbers_only or not _NAME.fullmatch(host):
            what = f"{text!r} names no host"
            raise InputError(what, where="--web-address", todo=todo) from None
        return WebAddress(host, port)
    if address.is_unspecified:
        raise InputError(
            f"{text!r} stands for every address of this machine; a page may be asked for by one name only",
            where="--web-address",
            todo="give the one name or address that the browsers will use",
        )
    # A browser writes an IPv6 address in its short form.
    return WebAddress(str(address), port)


def _port(word: str, text: str, todo: str) -> int:
    if not _PORT.fullmatch(word) or int(word) > 65535:
        raise InputError(f"the port of {text!r} is none from 0 to 65535", where="--web-address", todo=todo)
    return int(word)
