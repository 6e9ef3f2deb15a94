"""Who is let in to the served dashboard. Pure: a request's headers in, a reason to refuse it out.

Three things are asked of every request, whatever it is for. Its Host is one of this server's names: else a
foreign page whose name was pointed at this machine (DNS rebinding) would pass for our own. Its Origin, where
a browser says one, is the same name; a websocket must say one, since browsers let every page open a websocket
to anywhere (RFC 6455, section 10.2). And its address begins with the token, which no page can guess.
"""

from __future__ import annotations

import hmac
import secrets
from collections.abc import Collection, Sequence
from dataclasses import dataclass

__all__ = ["Door", "new_token"]


def new_token() -> str:
    """256 random bits, as characters that an address may have."""
    return secrets.token_urlsafe(32)


@dataclass(frozen=True, slots=True)
class Door:
    """Judges requests.

    Args:
        names: the Host headers that mean this server, in lower case.
        token: what the path begins with.
    """

    names: Collection[str]
    token: str

    def refusal(
        self, path: str, hosts: Sequence[str], origins: Sequence[str], *, websocket: bool
    ) -> str | None:
        """Why a request is not let in, in words for the one who made it; None: it is.

        Args:
            path: of its address, decoded.
            hosts: its Host headers; exactly one is right.
            origins: its Origin headers; none, or for a websocket exactly one, is right.
            websocket: whether it asks for a websocket.
        """
        if len(hosts) != 1 or hosts[0].lower() not in self.names:
            return "This server goes by another name: open the address that linewarden printed."
        if origins or websocket:
            own = f"http://{hosts[0].lower()}"
            if len(origins) != 1 or origins[0].lower() != own:
                return "Other pages may not use this one."
        shown = path.removeprefix("/").partition("/")[0]
        # In bytes: a text with signs beyond ASCII could not be compared in constant time.
        if not hmac.compare_digest(shown.encode("utf-8", "surrogatepass"), self.token.encode()):
            return (
                "Open the whole address that linewarden printed: it has a token in it, a new one each start."
            )
        return None
