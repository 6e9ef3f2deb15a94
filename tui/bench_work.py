"""Work that takes long, one piece at a time; what is asked anew takes the place of what waits. Pure."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from profiles.errors import LinewardenError

__all__ = ["Ended", "Turn", "Turns"]


class Ended(Exception):
    """The work is not wanted any more."""


@dataclass(eq=False)
class Turn:
    """A piece of work.

    It runs in a thread of its own, and everything else that is here is for the screen's.
    """

    key: str
    """What it is about: of two pieces with one key only the later one counts."""
    words: str
    work: Callable[[Turn], Any]
    done: Callable[[Any], None]
    failed: Callable[[str], None]
    told: str = ""
    """How far it is, in words."""
    ended: bool = False
    result: Any = None
    problem: str = ""
    fault: BaseException | None = field(default=None, repr=False)
    """What went wrong that should not be able to."""

    def tell(self, words: str) -> None:
        """Say how far it is.

        Raises:
            Ended: nobody waits for it any more.
        """
        if self.ended:
            raise Ended
        self.told = words

    def share(self, done: int, of: int) -> None:
        """Say how much of how much is done; raises as ``tell`` does."""
        self.tell(f"{100 * done // of} %" if of else "")

    def run(self) -> None:
        """Do it; whatever comes of it is kept."""
        try:
            self.result = self.work(self)
        except Ended:
            self.ended = True
        except LinewardenError as error:
            self.problem = str(error)
        except MemoryError:
            self.problem = (
                "it needs more memory than there is; export a shorter stretch, or every tenth sample"
            )
        except OSError as error:
            self.problem = f"it can't be read ({error.strerror or error})"
        except Exception as error:  # noqa: BLE001 -- a thread's fault is told on the screen, by whoever waits
            self.fault = error
            self.problem = f"a fault of Linewarden: {error!r}"

    def settle(self) -> None:
        """Tell whoever asked, on the screen's thread."""
        if self.ended:
            return
        if self.problem:
            self.failed(self.problem)
        else:
            self.done(self.result)


class Turns:
    """Pieces of work that wait for their turn."""

    def __init__(self) -> None:
        self.running: Turn | None = None
        self._waiting: dict[str, Turn] = {}

    def ask(self, turn: Turn) -> None:
        """Have something done; an earlier piece of the same key is not wanted any more."""
        if self.running is not None and self.running.key == turn.key:
            self.running.ended = True
        self._waiting.pop(turn.key, None)
        self._waiting[turn.key] = turn

    def drop(self, key: str) -> None:
        """It is not wanted any more."""
        self._waiting.pop(key, None)
        if self.running is not None and self.running.key == key:
            self.running.ended = True

    def next(self) -> Turn | None:
        """The next piece to begin with; None while one runs, or where there is none."""
        if self.running is not None or not self._waiting:
            return None
        key = next(iter(self._waiting))
        self.running = self._waiting.pop(key)
        return self.running

    def over(self, turn: Turn) -> None:
        """A piece has ended, however that was."""
        if self.running is turn:
            self.running = None

    def stop(self) -> None:
        """Nothing is wanted any more."""
        self._waiting.clear()
        if self.running is not None:
            self.running.ended = True

    def concerns(self, key: str) -> bool:
        """Whether something of that key runs or waits."""
        return key in self._waiting or (self.running is not None and self.running.key == key)

    @property
    def busy(self) -> bool:
        """Whether something runs or waits."""
        return self.running is not None or bool(self._waiting)
