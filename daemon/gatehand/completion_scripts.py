"""The scripts that make bash, zsh and fish complete: made from the commands' own parsers. No option is named here.

Commands and options are written into the script, so that a Tab there starts no program; names out of the config are
asked of `gatehand completion --names`. The one for bash keeps to what bash 3.2 knows and needs no package of helpers;
the one for zsh has the form that its own `_arguments` wants; in the one for fish each thing that can be said is a line.
"""

import argparse
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Final, Literal, TypeAlias

from msgspec import Struct

from gatehand.journal.line import OwnEvent
from gatehand_rules.findings import Happened

Takes: TypeAlias = Literal["nothing", "word", "name", "names", "file", "folder", "anything"]
"""What follows an option, or stands alone: one of some words, a name out of the config, several with commas between."""

_TABLES: Final[dict[str, tuple[Takes, str]]] = {
    # an argument's dest: whether it takes one name or a list of them, and the config's tables that have them
    "tool": ("name", "tool"),
    "gate": ("name", "gate"),
    "collector": ("name", "collector"),
    "open": ("names", "gate"),
    "names": ("name", "gate,tool,stop,collector"),
    "subject": ("name", "tool,gate,collector"),
    "upkeep": ("name", "upkeep"),
}
_EVENTS: Final = "event"
"""The dest of an argument that takes an event of the log."""

_BASH_HEAD: Final = """\
# Completion of gatehand for bash. Made by: gatehand completion bash
# Put it to use:   source <(gatehand completion bash)
# or for always:   gatehand completion bash > ~/.local/share/bash-completion/completions/gatehand

_gatehand_names() {
  "${COMP_WORDS[0]}" completion --names "$1" ${config:+--config "$config"} 2>/dev/null
}

# Offers the words of $1 that begin with the current one.
_gatehand_offer() {
  COMPREPLY=( $(compgen -W "$1" -- "$cur") )
}

# The same for the last of several words with commas between.
_gatehand_offer_list() {
  local before=""
  [[ $cur == *,* ]] && before="${cur%,*},"
  COMPREPLY=( $(compgen -P "$before" -W "$1" -- "${cur##*,}") )
  compopt -o nospace 2>/dev/null
}

_gatehand_files() {
  local IFS=$'\\n'
  COMPREPLY=( $(compgen "$1" -- "$cur") )
  compopt -o filenames 2>/dev/null
}

_gatehand() {
  local cur="${COMP_WORDS[COMP_CWORD]}" prev="${COMP_WORDS[COMP_CWORD-1]}" command="" config="" at word
  if [[ $cur == "=" ]]; then
    cur=""
  elif [[ $prev == "=" ]]; then
    prev="${COMP_WORDS[COMP_CWORD-2]}"
  fi
  for (( at = 1; at < COMP_CWORD; at++ )); do
    word="${COMP_WORDS[at]}"
    if [[ $word == --config ]]; then
      (( at++ ))
      [[ ${COMP_WORDS[at]} == "=" ]] && (( at++ ))
      (( at < COMP_CWORD )) && config="${COMP_WORDS[at]}"
    elif [[ -z $command && $word != -* ]]; then
      command="$word"
    fi
  done
  COMPREPLY=()
  case "$command" in
"""
_BASH_TAIL: Final = """\
  esac
}

complete -F _gatehand gatehand
"""
_ZSH_HEAD: Final = """\
#compdef gatehand
# Completion of gatehand for zsh. Made by: gatehand completion zsh
# Put it to use:   source <(gatehand completion zsh)     (after compinit)
# or for always:   gatehand completion zsh > a folder of $fpath/_gatehand

_gatehand_names() {
  local -a found
  found=(${(f)"$($_gatehand_program completion --names $1 $_gatehand_config 2>/dev/null)"})
  compadd -a found
}

_gatehand_name_list() {
  compset -P '*,'
  _gatehand_names $1
}

_gatehand() {
  local context state state_descr line at _gatehand_program=${(Q)words[1]}
  local -a _gatehand_config
  typeset -A opt_args
  for (( at = 2; at < CURRENT; at++ )); do
    case $words[at] in
      --config) _gatehand_config=(--config ${(Q)words[at+1]}) ;;
      --config=*) _gatehand_config=(${(Q)words[at]}) ;;
    esac
  done
  _arguments -C -A '-*' \\
    '(- *)'{-h,--help}'[show the help and exit]' \\
    '(- *)--version[show the version and exit]' \\
    '--config=[the config]:file:_files' \\
    '1:command:->command' \\
    '*:: :->argument'
  case $state in
    command)
      local -a commands
      commands=(
"""
_ZSH_MIDDLE: Final = """\
      )
      _describe command commands
      ;;
    argument)
      case $words[1] in
"""
_ZSH_TAIL: Final = """\
      esac
      ;;
  esac
}

if [[ $zsh_eval_context[-1] == loadautofunc ]]; then
  _gatehand "$@"
else
  compdef _gatehand gatehand
fi
"""
_FISH_HEAD: Final = """\
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
complete -c gatehand -n __fish_use_subcommand -l version -d 'show the version and exit'
"""
_BASH: Final[dict[Takes, str]] = {
    "word": '_gatehand_offer "{what}"',
    "name": '_gatehand_offer "$(_gatehand_names {what})"',
    "names": '_gatehand_offer_list "$(_gatehand_names {what})"',
    "file": "_gatehand_files -f",
    "folder": "_gatehand_files -d",
    "anything": ":",
}
_ZSH: Final[dict[Takes, str]] = {
    "nothing": "",
    "word": ":word:({what})",
    "name": ":name:{{_gatehand_names {what}}}",
    "names": ":names:{{_gatehand_name_list {what}}}",
    "file": ":file:_files",
    "folder": ":folder:_files -/",
    "anything": ":value: ",
}
_FISH: Final[dict[Takes, str]] = {
    "nothing": "",
    "word": " -x -a '{what}'",
    "name": " -x -a '(__gatehand_names {what})'",
    "names": " -x -a '(__gatehand_name_list {what})'",
    "file": " -r -F",
    "folder": " -x -a '(__fish_complete_directories)'",
    "anything": " -x",
}


class CommandWords(Struct, frozen=True):
    """One command: what its parser takes, with flags and without."""

    name: str
    help: str
    options: tuple[argparse.Action, ...]
    alone: tuple[argparse.Action, ...]


def command(name: str, what: str, parser: argparse.ArgumentParser) -> CommandWords:
    """Read a parser."""
    # argparse has no public way to look at its options
    found = [each for each in parser._actions if each.help != argparse.SUPPRESS]  # noqa: SLF001 - see above
    options, alone = (tuple(each for each in found if bool(each.option_strings) is flags) for flags in (True, False))
    return CommandWords(name, what, options, alone)


def _offer(phrases: dict[Takes, str], action: argparse.Action) -> str:
    """What a shell is told to offer for it."""
    takes, what = _takes(action)
    return phrases[takes].format(what=what)


def _takes(action: argparse.Action) -> tuple[Takes, str]:
    """What it takes; the words, or the tables of the names."""
    metavar = str(action.metavar or "")
    if action.nargs == 0:
        return "nothing", ""
    if action.choices is not None:
        return "word", " ".join(map(str, action.choices))
    if action.dest in _TABLES:
        return _TABLES[action.dest]
    if action.dest == _EVENTS:
        return "word", " ".join(sorted({*Happened, *OwnEvent}))
    if metavar.startswith("FOLDER"):
        return "folder", ""
    return ("file" if action.type is Path or metavar.startswith("FILE") else "anything"), ""


def _help(action: argparse.Action) -> str:
    return (action.help or "").replace("%%", "%")


def bash(commands: Sequence[CommandWords]) -> Iterator[str]:
    """Nested cases: the command, then the word before the one that is being typed."""
    yield _BASH_HEAD
    words = " ".join([*(each.name for each in commands), "--config", "--help", "--version"])
    yield '    "")\n      case "$prev" in\n        --config) _gatehand_files -f ;;\n'
    yield f'        *) _gatehand_offer "{words}" ;;\n      esac ;;\n'
    for command in commands:
        yield f'    {command.name})\n      case "$prev" in\n'
        for option in command.options:
            if option.nargs != 0:
                yield f"        {'|'.join(option.option_strings)}) {_offer(_BASH, option)} ;;\n"
        flags = " ".join(flag for option in command.options for flag in option.option_strings)
        yield "        *)\n"
        if command.alone:
            yield f'          if [[ $cur == -* ]]; then _gatehand_offer "{flags}"\n'
            yield f"          else {_offer(_BASH, command.alone[-1])}; fi ;;\n"
        else:
            yield f'          _gatehand_offer "{flags}" ;;\n'
        yield "      esac ;;\n"
    yield _BASH_TAIL


def zsh(commands: Sequence[CommandWords]) -> Iterator[str]:
    """The commands described, then one call of `_arguments` for each."""
    yield _ZSH_HEAD
    for command in commands:
        yield f"        {_in_zsh(f'{command.name}:{command.help}')}\n"
    yield _ZSH_MIDDLE
    for command in commands:
        yield f"        {command.name})\n          _arguments"
        for option in command.options:
            said = _help(option).replace("\\", "\\\\").replace("[", "\\[").replace("]", "\\]").replace(":", "\\:")
            for flag in option.option_strings:
                equals = "=" if option.nargs != 0 and flag.startswith("--") else ""
                yield f" \\\n            {_in_zsh(f'*{flag}{equals}[{said}]{_offer(_ZSH, option)}')}"
        for word in command.alone:
            repeated = "*" if word.nargs in {"*", "+"} else ""
            yield f" \\\n            {_in_zsh(repeated + (_offer(_ZSH, word) or ':word: '))}"
        yield "\n          ;;\n"
    yield _ZSH_TAIL


def fish(commands: Sequence[CommandWords]) -> Iterator[str]:
    """A line for each command and for each of its arguments."""
    yield _FISH_HEAD
    for command in commands:
        yield f"complete -c gatehand -n __fish_use_subcommand -a {command.name} -d {_in_fish(command.help)}\n"
        seen = f"complete -c gatehand -n '__fish_seen_subcommand_from {command.name}'"
        for option in command.options:
            flags = " ".join(
                f"-l {flag[2:]}" if flag.startswith("--") else f"-s {flag[1:]}" for flag in option.option_strings
            )
            yield f"{seen} {flags}{_offer(_FISH, option)} -d {_in_fish(_help(option))}\n"
        for word in command.alone:
            yield f"{seen}{_offer(_FISH, word).replace(' -x', ' -f')} -d {_in_fish(_help(word))}\n"


def _in_zsh(text: str) -> str:
    return "'" + text.replace("'", "'\\''") + "'"


def _in_fish(text: str) -> str:
    return "'" + text.replace("\\", "\\\\").replace("'", "\\'") + "'"


SHELLS: Final = {"bash": bash, "zsh": zsh, "fish": fish}
