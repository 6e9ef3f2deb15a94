"""Each command's help: good enough to be its manual page."""

from __future__ import annotations

import argparse
import io
import shlex
from contextlib import redirect_stderr

import pytest

from tui.arguments import build_parser


def commands() -> dict[str, argparse.ArgumentParser]:
    """Every command's parser, those of `profiles` among them."""

    def below(parser: argparse.ArgumentParser, path: str) -> dict[str, argparse.ArgumentParser]:
        found = {}
        for action in parser._actions:
            if isinstance(action, argparse._SubParsersAction):
                for name, each in action.choices.items():
                    found[f"{path} {name}".strip()] = each
                    found |= below(each, f"{path} {name}".strip())
        return found

    return below(build_parser(), "")


@pytest.mark.parametrize("name", sorted(commands()))
def test_a_commands_help_says_what_it_does_in_80_columns(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    command = commands()[name]
    assert command.description
    assert command.description[0].isupper()
    assert command.description.rstrip().endswith(".")
    said = command.format_help()
    assert [line for line in said.splitlines() if len(line) > 80] == []
    flags = {flag for action in command._actions for flag in action.option_strings}
    if " " not in name:
        assert "exit code 0: done" in said
        assert ("LINEWARDEN_SITE:" in said) == ("--site" in flags)
        assert ("LINEWARDEN_MQTT_SECRET:" in said) == ("--broker" in flags)


@pytest.mark.parametrize("name", sorted(name for name in commands() if " " not in name))
def test_a_commands_examples_can_be_called_so(name: str) -> None:
    text = (commands()[name].epilog or "").replace("\\\n", " ")
    shown = [line.strip() for line in text.splitlines() if line.strip().startswith("linewarden ")]
    assert shown
    for line in shown:
        words = shlex.split(line.split(" > ")[0])[1:]
        assert words[0] == name
        said = io.StringIO()
        try:
            with redirect_stderr(said):
                arguments = build_parser().parse_args(words)
        except SystemExit:
            pytest.fail(f"{line}: {said.getvalue()}")
        assert arguments.module == f"tui.commands.{name}"


def test_the_whole_help_names_each_command_and_the_exit_codes(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    said = build_parser().format_help()
    assert [line for line in said.splitlines() if len(line) > 80] == []
    assert all(f"\n    {name}" in said for name in commands() if " " not in name)
    assert "130:" in said
