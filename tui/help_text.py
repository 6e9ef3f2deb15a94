"""What each command's help ends with: examples, exit codes, environment; and how help is laid out."""

from __future__ import annotations

import argparse
import textwrap

__all__ = ["EXIT_CODES", "HelpLayout", "finish"]

EXIT_CODES = """exit code 0: done; 1: what was asked did not come about; 2: the input or the call was
wrong; 130: broken off by Ctrl-C."""

_EXAMPLES = {
    "demo": ("demo", "demo --headless --fast"),
    "run": ("run --site hall.toml", "run --unit-file"),
    "dash": ("dash", "dash --broker mqtts://broker.example --user hall"),
    "status": ("status", "status --json"),
    "act": ("act foyer-amp power-on", "act foyer-amp set-volume level=20"),
    "off": ("off", "off foyer-amp"),
    "sequence": ("sequence", "sequence evening start"),
    "triggers": ("triggers",),
    "presume": ("presume foyer-amp power false",),
    "lock": ('lock foyer-amp --why "new fuse" --who Ada',),
    "unlock": ("unlock 3f2a",),
    "listen": ("listen hall", "listen hall --seconds 30 --record evening.jsonl"),
    "probe": ("probe hall", "probe hall --find-break"),
    "adapter": ("adapter /dev/ttyUSB0", "adapter /dev/ttyUSB0 --baud 9600 --keep-for hall"),
    "send": ('send hall "A5 01 01 02" --allow-raw',),
    "decode": ("decode power-on.csv", "decode power-on.csv --baud 9600 --frame 8N1"),
    "compare": ("compare original.csv replay.csv --picture both.svg",),
    "learn": ("learn power-on_1.csv power-on_2.csv standby.csv -o my-amp.toml",),
    "transcribe": ("transcribe 00000101",),
    "bench": ("bench power-on.csv", "bench --no-site"),
    "firmware": ("firmware pellgate-chain --address 1 \\\n      --on power-on --off standby -o box --prove",),
    "wiring": ("wiring --trigger 5..12 --picture trigger.svg",),
    "qualify": ("qualify foyer-amp --cycles 20 --yes --limit lag=50",),
    "check": ("check site.toml my-amp.toml",),
    "profiles": ("profiles", "profiles show pellgate-chain --text"),
    "ports": ("ports",),
    "sim": ("sim --profile pellgate-chain --units 4 --site-file site.toml",),
    "journal": ("journal --since 2h --result failed", "journal --unit foyer-amp --traffic"),
    "completion": ("completion bash > linewarden.bash", "completion --names actions --of foyer-amp"),
}

_ENVIRONMENT = {
    "--site": "LINEWARDEN_SITE: the site file, where --site is not given",
    "--broker": "LINEWARDEN_MQTT_SECRET: the secret of --user",
    "--state": "XDG_STATE_HOME: where the user's state folder is",
}


class HelpLayout(argparse.HelpFormatter):
    """Wraps a description to the terminal; a line that begins with a space is kept as it is."""

    def _fill_text(self, text: str, width: int, indent: str) -> str:
        lines = []
        for line in text.splitlines():
            if line.startswith(" ") or not line:
                lines.append(indent + line)
            else:
                lines += textwrap.wrap(line, width, initial_indent=indent, subsequent_indent=indent)
        return "\n".join(lines)


def finish(name: str, command: argparse.ArgumentParser) -> None:
    """End a command's help with its examples, exit codes and the environment that it reads.

    Args:
        name: the command's.
        command: with all its arguments.
    """
    examples = _EXAMPLES[name]
    word = "example" if len(examples) == 1 else "examples"
    parts = [f"{word}:", *(f"  linewarden {example}" for example in examples)]
    parts += ["", " ".join(EXIT_CODES.split())]
    flags = {flag for action in command._actions for flag in action.option_strings}  # noqa: SLF001 -- argparse has no public list of a parser's arguments
    told = [said for flag, said in _ENVIRONMENT.items() if flag in flags]
    if told:
        parts += ["", "environment:", *(f"  {said}" for said in told)]
    command.epilog = "\n".join(parts)
