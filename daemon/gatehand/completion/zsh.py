"""The script for zsh, in the form that its own `_arguments` wants."""

from collections.abc import Iterator, Sequence
from typing import Final

from gatehand.completion.words import Argument, Command, Takes

_HEAD: Final = """\
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
    '(- *)'{-h,--help}'[say what there is]' \\
    '(- *)--version[show the version and leave]' \\
    '--config=[the config]:file:_files' \\
    '1:command:->command' \\
    '*:: :->argument'
  case $state in
    command)
      local -a commands
      commands=(
"""
_MIDDLE: Final = """\
      )
      _describe command commands
      ;;
    argument)
      case $words[1] in
"""
_TAIL: Final = """\
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


def script(commands: Sequence[Command]) -> str:
    """The whole script."""
    described = "".join(f"        {_quoted(f'{each.name}:{each.help}')}\n" for each in commands)
    return _HEAD + described + _MIDDLE + "".join(part for each in commands for part in _case(each)) + _TAIL


def _case(command: Command) -> Iterator[str]:
    yield f"        {command.name})\n          _arguments"
    for option in command.options:
        for flag in option.flags:
            equals = "=" if option.takes is not Takes.NOTHING and flag.startswith("--") else ""
            said = option.help.replace("\\", "\\\\").replace("[", "\\[").replace("]", "\\]").replace(":", "\\:")
            yield f" \\\n            {_quoted(f'*{flag}{equals}[{said}]{_action(option)}')}"
    for word in command.alone:
        yield f" \\\n            {_quoted(('*' if word.repeats else '') + (_action(word) or ':word: '))}"
    yield "\n          ;;\n"


def _action(argument: Argument) -> str:
    match argument.takes:
        case Takes.NOTHING:
            return ""
        case Takes.WORD:
            return f":word:({' '.join(argument.choices)})"
        case Takes.NAME:
            return f":name:{{_gatehand_names {','.join(argument.choices)}}}"
        case Takes.NAMES:
            return f":names:{{_gatehand_name_list {','.join(argument.choices)}}}"
        case Takes.FILE:
            return ":file:_files"
        case Takes.FOLDER:
            return ":folder:_files -/"
        case _:
            return ":value: "


def _quoted(text: str) -> str:
    return "'" + text.replace("'", "'\\''") + "'"
