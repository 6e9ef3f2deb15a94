"""The command line: ``linewarden COMMAND``.

Exit code 0: done. 1: what was asked did not come about. 2: the input or the call was wrong. Errors are one
line on standard error. This module and tui/arguments.py import nothing heavy: a command's own module is
loaded when it runs, so that ``--help`` is there at once.
"""

from __future__ import annotations

import errno
import importlib
import io
import os
import sys
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from tui.arguments import build_parser

if TYPE_CHECKING:
    import argparse

__all__ = ["main"]


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; gives its exit code."""
    for stream in (sys.stdout, sys.stderr):
        # A terminal that can't show a sign gets a question mark for it, and no fault.
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")
    parser = build_parser()
    arguments = parser.parse_args(argv)
    if arguments.module is None:
        parser.print_help()
        return 2
    # pydantic looks for plugins of other packages on import; there are none here, and looking takes time.
    os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")
    command: Callable[[argparse.Namespace], int] = importlib.import_module(arguments.module).run
    from profiles.errors import LinewardenError

    try:
        code = command(arguments)
        sys.stdout.flush()
    except LinewardenError as error:
        print(f"linewarden: {error}", file=sys.stderr)
        return error.exit_code
    except KeyboardInterrupt:
        return 130
    except BrokenPipeError:
        # Whoever read our output has gone; there is nobody left to tell.
        _stop_printing()
        return 1
    except OSError as error:
        if sys.stdout.closed or error.errno not in (errno.ENOSPC, errno.EIO):
            raise
        _stop_printing()
        print(f"linewarden: what was to be printed could not be written ({error.strerror})", file=sys.stderr)
        return 1
    return code


def _stop_printing() -> None:
    """Let nothing more go to a standard output that takes nothing."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


if __name__ == "__main__":
    sys.exit(main())
