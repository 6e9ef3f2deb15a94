"""The command line: ``linewarden COMMAND``.

Exit code 0: done. 1: what was asked did not come about. 2: the input or the call was wrong. Errors are one
line on standard error. This module and tui/arguments.py import nothing heavy: a command's own module is
loaded when it runs, so that ``--help`` is there at once.
"""

from __future__ import annotations

import importlib
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
        return command(arguments)
    except LinewardenError as error:
        print(f"linewarden: {error}", file=sys.stderr)
        return error.exit_code
    except KeyboardInterrupt:
        return 130
    except BrokenPipeError:
        # Whoever read our output has gone; there is nobody left to tell.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 1


if __name__ == "__main__":
    sys.exit(main())
