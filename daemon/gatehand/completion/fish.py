"""The script for fish: one line for each thing that can be said."""

from collections.abc import Iterator, Sequence
from typing import Final

from gatehand.completion.words import Argument, Command, Takes

_HEAD: Final = """\
# Completion of gatehand for fish. Made by: gatehand completion fish
# Put it to use:   gatehand completion fish | source
# or for always:   gatehand completion fish > ~/.config/fish/completions/gatehand.fish

function __gatehand_names
    set -l words (commandline -opc)
    set -l config
    for at in (seq (count $words))
        switch $words[$at]
            case --config
                test $at -lt (count $words); and set config --config $words[(math $at + 1)]
            case '--config=*'
                set config $words[$at]
        end
    end
    $words[1] completion --names $argv[1] $config 2>/dev/null
end

function __gatehand_name_list
    set -l before (string match -r '^.*,' -- (commandline -ct))
    for name in (__gatehand_names $argv[1])
        echo $before$name
    end
end

complete -c gatehand -f
complete -c gatehand -n __fish_use_subcommand -l version -d 'show the version and leave'
"""


def script(commands: Sequence[Command]) -> str:
    """The whole script."""
    return _HEAD + "".join(part for each in commands for part in _lines(each))


def _lines(command: Command) -> Iterator[str]:
    yield f"complete -c gatehand -n __fish_use_subcommand -a {command.name} -d {_quoted(command.help)}\n"
    seen = f"complete -c gatehand -n '__fish_seen_subcommand_from {command.name}'"
    for option in command.options:
        flags = " ".join(f"-l {flag[2:]}" if flag.startswith("--") else f"-s {flag[1:]}" for flag in option.flags)
        yield f"{seen} {flags}{_takes(option)} -d {_quoted(option.help)}\n"
    for word in command.alone:
        yield f"{seen}{_takes(word).replace(' -x', ' -f')} -d {_quoted(word.help)}\n"


def _takes(argument: Argument) -> str:
    match argument.takes:
        case Takes.NOTHING:
            return ""
        case Takes.WORD:
            return f" -x -a {_quoted(' '.join(argument.choices))}"
        case Takes.NAME:
            return f" -x -a '(__gatehand_names {','.join(argument.choices)})'"
        case Takes.NAMES:
            return f" -x -a '(__gatehand_name_list {','.join(argument.choices)})'"
        case Takes.FILE:
            return " -r -F"
        case Takes.FOLDER:
            return " -x -a '(__fish_complete_directories)'"
        case _:
            return " -x"


def _quoted(text: str) -> str:
    return "'" + text.replace("\\", "\\\\").replace("'", "\\'") + "'"
