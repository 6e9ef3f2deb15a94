"""The arguments of the bench's commands: decode, compare, learn, transcribe."""

from __future__ import annotations

import argparse
import re

from tui.common_arguments import Add, json_option

__all__ = ["add_bench"]


def add_bench(add: Add) -> None:
    """Add the commands of the bench.

    Args:
        add: makes a command of its name and what it does.
    """
    _decode(add)
    _compare(add)
    _learn(add)
    _transcribe(add)
    _bench(add)


_UNITS = {"": 1.0, "s": 1.0, "ms": 1e-3, "us": 1e-6, "µs": 1e-6, "ns": 1e-9}


def _seconds(text: str) -> float:
    found = re.fullmatch(r"([0-9.eE+-]+)\s*([a-zµ]*)", text.strip())
    try:
        if found is None:
            raise ValueError(text)
        return float(found[1]) * _UNITS[found[2]]
    except (ValueError, KeyError):
        raise argparse.ArgumentTypeError(f"{text!r} is no time; write seconds, or 2us, 5ms") from None


def _overrides(command: argparse.ArgumentParser) -> None:
    """What a person gives instead of leaving it to be found."""
    group = command.add_argument_group("given instead of found")
    group.add_argument("--baud", metavar="RATE", type=float, help="bits a second")
    group.add_argument("--frame", metavar="FORMAT", help="data bits, parity, stop bits, such as 8N1")
    group.add_argument("--idle", choices=("high", "low"), help="the level at rest")
    group.add_argument("--bit-order", choices=("lsb", "msb"), help="which data bit comes first")
    group.add_argument("--threshold", metavar="VOLTS", type=float, help="between low and high")
    group.add_argument("--hysteresis", metavar="VOLTS", type=float, help="threshold to the band's edge")
    group.add_argument(
        "--burst-gap", metavar="BITS", type=float, default=20.0, help="idle bit times between bursts (20)"
    )
    group.add_argument(
        "--sample-interval", metavar="TIME", type=_seconds, help="between rows without a time, such as 2us"
    )


def _decode(add: Add) -> None:
    command = add("decode", "line settings and bytes of a capture")
    command.add_argument(
        "capture",
        metavar="CAPTURE",
        help="a CSV, a VCD, a WAV, or a recording made by listen; packed with gzip or not",
    )
    command.add_argument(
        "--channel", metavar="NAME", action="append", default=[], help="only this one (repeatable)"
    )
    command.add_argument("--most-bursts", metavar="N", type=int, default=40, help="bursts printed (40)")
    _overrides(command)
    json_option(command)


def _compare(add: Add) -> None:
    command = add("compare", "byte and timing differences of a replay")
    command.description = (
        "Compares a replay with the original: bytes, bit time, edges, dead times. A difference in dead "
        "time alone is told, and is no mismatch. Exit code 0 where they agree, 1 where they differ."
    )
    command.add_argument("original", metavar="ORIGINAL", help="the original's capture")
    command.add_argument(
        "replay", metavar="REPLAY", nargs="?", help="the replay's; without it another channel of ORIGINAL"
    )
    command.add_argument("--channel", metavar="NAME", help="the original's channel; without it the first")
    command.add_argument("--replay-channel", metavar="NAME", help="the replay's channel")
    command.add_argument("--picture", metavar="FILE.svg", help="also draw both over each other")
    command.add_argument(
        "--rate-tolerance", metavar="PERCENT", type=float, help="of the bit time; without it a receiver's"
    )
    command.add_argument(
        "--edge-tolerance", metavar="BITS", type=float, help="of an edge in its frame (0.25 bit times)"
    )
    _overrides(command)
    json_option(command)


def _learn(add: Add) -> None:
    command = add("learn", "a draft profile with evidence, from captures of buttons")
    command.description = (
        "Captures of one button are given under one name, several of them where they can be had. "
        "NAME=FILE names the action; without NAME the file's own name does, and a number after an "
        "underscore or in brackets counts takes: power-on_2.csv is power-on. Behind an @ stands the unit "
        "that was told (power-on@2=FILE, power-on@2_1.csv): captures of several units show the address."
    )
    command.add_argument(
        "captures", metavar="CAPTURE", nargs="+", help="or NAME=CAPTURE, or NAME@UNIT=CAPTURE"
    )
    command.add_argument("-o", "--output", metavar="PROFILE", required=True, help="the profile to write")
    command.add_argument("--replace", action="store_true", help="in place of a file that is there")
    command.add_argument("--channel", metavar="NAME", help="which channel; without it the one that feeds")
    command.add_argument(
        "--confirm",
        choices=("loop", "local", "none"),
        help="how a sender knows; without it what the channels show",
    )
    _overrides(command)
    json_option(command)


def _transcribe(add: Add) -> None:
    command = add("transcribe", "bit cells read off a screen by hand, and the frames that they can be")
    command.add_argument(
        "cells",
        metavar="CELLS",
        nargs="+",
        help="0 and 1 in the order of time; _ for a bit time of idle line",
    )
    command.add_argument("--frame", metavar="FORMAT", help="the format, where it is known, such as 8N1")
    command.add_argument("--idle", choices=("high", "low"), help="the idle level, where it is known")
    start = command.add_mutually_exclusive_group()
    start.add_argument(
        "--start-bit", action="store_true", default=None, help="start bits are among the cells"
    )
    start.add_argument("--no-start-bit", action="store_false", dest="start_bit", help="they are not")
    json_option(command)


def _bench(add: Add) -> None:
    command = add("bench", "captures on the dashboard's bench, with or without a site")
    command.description = (
        "Opens the dashboard on its bench screen: with the site where there is one, else with none. With "
        "--no-site no port is opened whatever there is."
    )
    command.add_argument("captures", metavar="CAPTURE", nargs="*", help="what to open at once")
    command.add_argument("--no-site", action="store_true", help="without the site, even where there is one")
    command.add_argument(
        "--site", metavar="FILE", help="the site file; without it $LINEWARDEN_SITE, then site.toml here"
    )
    command.add_argument("--state", metavar="FOLDER", help="where the site's journal is kept")
