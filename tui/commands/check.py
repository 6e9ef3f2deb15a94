"""``linewarden check``: profiles and sites, evidence included."""

from __future__ import annotations

import argparse
import dataclasses
import sys
from pathlib import Path

from controller.site import check_site
from profiles.checking import check_profile
from profiles.errors import Fault, FileUnreadable
from profiles.storage import parse_toml, read_text
from tui.telling import as_json, plain


def run(arguments: argparse.Namespace) -> int:
    """Check each file: 2 where one can't be read, 1 where one has faults."""
    faults: list[Fault] = []
    unreadable: list[FileUnreadable] = []
    for name in arguments.files:
        try:
            faults += _check(Path(name))
        except FileUnreadable as error:
            unreadable.append(error)
    wrong = [fault for fault in faults if not fault.warning]
    if arguments.json:
        document = {
            "files": len(arguments.files),
            "faults": [dataclasses.asdict(fault) for fault in faults],
            "unreadable": [str(problem) for problem in unreadable],
        }
        print(as_json(document))
    else:
        for fault in faults:
            print(plain(f"{'note: ' if fault.warning else ''}{fault}"))
        for problem in unreadable:
            print(f"linewarden: {plain(str(problem))}", file=sys.stderr)
        if not wrong and not unreadable:
            count = len(arguments.files)
            print(f"{count} file{'s' * (count != 1)} checked: no faults")
    return 2 if unreadable else 1 if wrong else 0


def _check(path: Path) -> list[Fault]:
    is_site = "site" in parse_toml(read_text(path), str(path))
    return check_site(path) if is_site else check_profile(path)
