"""The script for bash. It keeps to what bash 3.2 knows and needs no package of completion helpers."""

from collections.abc import Iterator, Sequence
from typing import Final

from gatehand.completion.words import Argument, Command, Takes

_HEAD: Final = """\
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
_TAIL: Final = """\
  esac
}

complete -F _gatehand gatehand
"""


def script(commands: Sequence[Command]) -> str:
    """The whole script."""
    return _HEAD + "".join(_no_command(commands)) + "".join(part for each in commands for part in _case(each)) + _TAIL


def _no_command(commands: Sequence[Command]) -> Iterator[str]:
    words = " ".join([*(each.name for each in commands), "--config", "--help", "--version"])
    yield '    "")\n      case "$prev" in\n        --config) _gatehand_files -f ;;\n'
    yield f'        *) _gatehand_offer "{words}" ;;\n      esac ;;\n'


def _case(command: Command) -> Iterator[str]:
    yield f'    {command.name})\n      case "$prev" in\n'
    for option in command.options:
        if option.takes is not Takes.NOTHING:
            yield f"        {'|'.join(option.flags)}) {_offer(option)} ;;\n"
    flags = " ".join(flag for option in command.options for flag in option.flags)
    yield "        *)\n"
    if command.alone:
        yield f'          if [[ $cur == -* ]]; then _gatehand_offer "{flags}"\n'
        yield f"          else {_offer(command.alone[-1])}; fi ;;\n"
    else:
        yield f'          _gatehand_offer "{flags}" ;;\n'
    yield "      esac ;;\n"


def _offer(argument: Argument) -> str:
    match argument.takes:
        case Takes.WORD:
            return f'_gatehand_offer "{" ".join(argument.choices)}"'
        case Takes.NAME:
            return f'_gatehand_offer "$(_gatehand_names {",".join(argument.choices)})"'
        case Takes.NAMES:
            return f'_gatehand_offer_list "$(_gatehand_names {",".join(argument.choices)})"'
        case Takes.FILE:
            return "_gatehand_files -f"
        case Takes.FOLDER:
            return "_gatehand_files -d"
        case _:
            return ":"
