"""A shell's completion script, made from the command line's own arguments.

zsh reads the script for bash, through its own ``bashcompinit``. Nothing of a completion runs unless Tab is
pressed; names of units and the like are then asked of ``linewarden completion --names``.
"""

from __future__ import annotations

import argparse
import shlex
from dataclasses import dataclass

__all__ = ["script"]

_FILES = "@files"
_KINDS = {
    "UNIT": "units",
    "TARGET": "targets",
    "UNIT or GROUP": "targets",
    "BUS": "buses",
    "PROFILE": "profiles",
    "P": "profiles",
}
_FILE_WORDS = ("FILE", "CAPTURE", "FOLDER", "PATH", "ORIGINAL", "REPLAY")
_OF_COMMANDS = {
    ("act", "unit"): "targets",
    ("act", "action"): "actions",
    ("sequence", "name"): "sequences",
    ("profiles show", "name"): "profiles",
    ("profiles export", "name"): "profiles",
    ("learn", "output"): _FILES,
}
"""Arguments whose metavar alone does not say what they take, by the command's path and their name."""


@dataclass(frozen=True, slots=True)
class _Option:
    flags: tuple[str, ...]
    does: str
    takes: str | None
    """None: no value. ``@files``, ``@KIND``, or the words that it can be, a space between."""


@dataclass(frozen=True, slots=True)
class _Command:
    path: str
    """Its words, a space between; empty for the program itself."""
    does: str
    options: tuple[_Option, ...]
    positionals: tuple[str, ...]
    """What each takes, as an option's; the last one's is kept for all after it where it takes many."""
    endless: bool
    below: tuple[str, ...]


def script(parser: argparse.ArgumentParser, shell: str) -> str:
    """The completion script.

    Args:
        parser: the whole command line.
        shell: ``bash``, ``zsh`` or ``fish``.
    """
    commands = _read(parser, "", "")
    if shell == "fish":
        return _fish(commands)
    head = "autoload -U +X compinit bashcompinit && compinit && bashcompinit\n" if shell == "zsh" else ""
    return head + _bash(commands)


def _read(parser: argparse.ArgumentParser, path: str, does: str) -> list[_Command]:
    options: list[_Option] = []
    positionals: list[str] = []
    below: list[tuple[str, argparse.ArgumentParser, str]] = []
    endless = False
    for action in parser._actions:  # noqa: SLF001 -- argparse has no public list of a parser's arguments
        if isinstance(action, argparse._SubParsersAction):  # noqa: SLF001 -- nor of its commands
            said = {each.dest: each.help or "" for each in action._choices_actions}  # noqa: SLF001 -- nor of their help
            below = [(name, each, said.get(name, "")) for name, each in action.choices.items()]
        elif action.option_strings:
            takes = None if action.nargs == 0 else _takes(path, action)
            options.append(
                _Option(tuple(action.option_strings), (action.help or "").replace("%%", "%"), takes)
            )
        else:
            positionals.append(_takes(path, action))
            endless = action.nargs in ("*", "+")
    own = _Command(
        path, does, tuple(options), tuple(positionals), endless, tuple(name for name, _, _ in below)
    )
    return [own, *(each for name, sub, said in below for each in _read(sub, f"{path} {name}".strip(), said))]


def _takes(path: str, action: argparse.Action) -> str:
    if action.choices is not None:
        return " ".join(str(choice) for choice in action.choices)
    known = _OF_COMMANDS.get((path, action.dest))
    if known:
        return known if known == _FILES else f"@{known}"
    metavar = action.metavar if isinstance(action.metavar, str) else (action.metavar or (action.dest,))[0]
    if metavar in _KINDS:
        return f"@{_KINDS[metavar]}"
    return _FILES if any(word in metavar for word in _FILE_WORDS) else ""


_BASH = """# Completion of linewarden's commands; made by `linewarden completion`.
_linewarden_say() {
    local word=$1 unit=$2 site=$3 names
    case "$4" in
        @files) COMPREPLY=( $(compgen -f -- "$word") ); compopt -o filenames 2>/dev/null ;;
        @profiles)
            names=$(linewarden completion --names profiles 2>/dev/null)
            COMPREPLY=( $(compgen -W "$names" -- "$word") $(compgen -f -- "$word") ) ;;
        @*)
            names=$(linewarden completion --names "${4#@}" --of="$unit" ${site:+--site="$site"} 2>/dev/null)
            COMPREPLY=( $(compgen -W "$names" -- "$word") ) ;;
        *) COMPREPLY=( $(compgen -W "$4" -- "$word") ) ;;
    esac
}

_linewarden_value() {
    case "$1" in
%(values)s
        *) return 1 ;;
    esac
}

_linewarden_below() {
    case "$1" in
%(below)s
        *) return 1 ;;
    esac
}

_linewarden() {
    local word="${COMP_WORDS[COMP_CWORD]}" before="${COMP_WORDS[COMP_CWORD-1]}"
    local way="" at=0 first="" site="" i=1 each
    COMPREPLY=()
    while [ "$i" -lt "$COMP_CWORD" ]; do
        each="${COMP_WORDS[i]}"
        if [ "$each" = --site ]; then site="${COMP_WORDS[i+1]}"; fi
        if _linewarden_value "$way $each" >/dev/null; then
            i=$((i + 2)); continue
        fi
        case "$each" in
            -*) ;;
            *)
                if _linewarden_below "$way" | grep -qwF -e "$each"; then
                    way="${way:+$way }$each"
                else
                    at=$((at + 1))
                    [ "$at" = 1 ] && first="$each"
                fi ;;
        esac
        i=$((i + 1))
    done
    if _linewarden_value "$way $before" >/dev/null; then
        _linewarden_say "$word" "$first" "$site" "$(_linewarden_value "$way $before")"
        return
    fi
    case "$word" in
        -*)
            case "$way" in
%(options)s
            esac
            return ;;
    esac
    case "$way $at" in
%(positionals)s
    esac
}

complete -F _linewarden linewarden
"""


def _bash(commands: list[_Command]) -> str:
    values, below, options, positionals = [], [], [], []
    for command in commands:
        flags = " ".join(flag for option in command.options for flag in option.flags)
        say = f'_linewarden_say "$word" "" "" {shlex.quote(flags)}'
        options.append(f"                {shlex.quote(command.path)}) {say} ;;")
        for option in command.options:
            if option.takes is not None:
                pattern = "|".join(shlex.quote(f"{command.path} {flag}") for flag in option.flags)
                values.append(f"        {pattern}) echo {shlex.quote(option.takes)} ;;")
        if command.below:
            words = shlex.quote(" ".join(command.below))
            below.append(f"        {shlex.quote(command.path)}) echo {words} ;;")
            positionals.append(
                f'        {shlex.quote(f"{command.path} 0")}) _linewarden_say "$word" "" "" {words} ;;'
            )
        for number, takes in enumerate(command.positionals):
            many = command.endless and number == len(command.positionals) - 1
            pattern = (
                f"{shlex.quote(f'{command.path} ')}*" if many else shlex.quote(f"{command.path} {number}")
            )
            said = f'_linewarden_say "$word" "$first" "$site" {shlex.quote(takes)}'
            positionals.append(f"        {pattern}) {said} ;;")
    parts = {"values": values, "below": below, "options": options, "positionals": positionals}
    return _BASH % {name: "\n".join(lines) for name, lines in parts.items()}


_FISH = """# Completion of linewarden's commands; made by `linewarden completion`.
function __linewarden_words
    set -l skip 0
    for word in (commandline -opc)[2..-1]
        if test $skip = 1
            set skip 0
        else if contains -- $word VALUED
            set skip 1
        else if not string match -q -- '-*' $word
            echo $word
        end
    end
end

function __linewarden_at
    set -l words (__linewarden_words)
    set -l way (string split -n ' ' -- $argv[1])
    set -l count (count $way)
    if test $count -gt 0
        test (count $words) -ge $count; or return 1
        test "$words[1..$count]" = "$argv[1]"; or return 1
    end
    test (count $argv) -lt 2; and return 0
    set -l after (math (count $words) - $count)
    test "$argv[3]" = many; and test $after -ge $argv[2]; and return 0
    test $after -eq $argv[2]
end

function __linewarden_first
    set -l words (__linewarden_words)
    echo $words[2]
end

complete -c linewarden -f
"""


def _fish(commands: list[_Command]) -> str:
    said = {command.path: command.does for command in commands}
    lines = []
    for command in commands:
        here = f"__linewarden_at {shlex.quote(command.path)}"
        for name in command.below:
            does = said[f"{command.path} {name}".strip()]
            lines.append(
                f"complete -c linewarden -n {_fish_word(f'{here} 0')} -a {name} -d {_fish_word(does)}"
            )
        for number, takes in enumerate(command.positionals):
            many = command.endless and number == len(command.positionals) - 1
            if takes:
                when = f"{here} {number}{' many' if many else ''}"
                lines.append(f"complete -c linewarden -n {_fish_word(when)} {_fish_values(takes)}")
        for option in command.options:
            flags = " ".join(
                f"-l {flag[2:]}" if flag.startswith("--") else f"-s {flag[1:]}" for flag in option.flags
            )
            value = "" if option.takes is None else f" -r {_fish_values(option.takes)}".rstrip()
            line = f"complete -c linewarden -n {_fish_word(here)} {flags}{value}"
            lines.append(f"{line} -d {_fish_word(option.does)}" if option.does else line)
    head = _FISH.replace("VALUED", " ".join(_valued(commands)))
    return head + "\n".join(lines) + "\n"


def _valued(commands: list[_Command]) -> list[str]:
    """The flags behind which a value stands, whatever the command."""
    options = [option for command in commands for option in command.options]
    bare = {flag for option in options if option.takes is None for flag in option.flags}
    return sorted({flag for option in options if option.takes is not None for flag in option.flags} - bare)


def _fish_values(takes: str) -> str:
    if takes == _FILES:
        return "-F"
    if not takes.startswith("@"):
        return f"-a {_fish_word(takes)}" if takes else ""
    of = " --of=(__linewarden_first)" if takes == "@actions" else ""
    files = " -F" if takes == "@profiles" else ""
    return f"-a {_fish_word(f'(linewarden completion --names {takes[1:]}{of} 2>/dev/null)')}{files}"


def _fish_word(text: str) -> str:
    """A text between fish's single quotes, in which only a backslash and a quote are more than themselves."""
    return "'" + text.replace("\\", "\\\\").replace("'", "\\'") + "'"
