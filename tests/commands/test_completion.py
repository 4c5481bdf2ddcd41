"""Completion as the shells themselves do it: each is asked what it would offer."""

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from support.child import environment, gatehand_does

from gatehand.cli import COMMANDS, WITHOUT_CONFIG, command_parser

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the program, the scripts and the example config in it."""
    folder = tmp_path_factory.mktemp("home")
    program = folder / "gatehand"
    program.write_text(f'#!/bin/sh\nexec {sys.executable} -m gatehand "$@"\n')
    program.chmod(0o755)
    (folder / "config.toml").write_text((ROOT / "config.example.toml").read_text())
    (folder / "other.toml").write_text('[tool.lathe]\n[gate.lathe]\n[tool."no name"]\n')
    (folder / "afolder").mkdir()
    for shell in ("bash", "zsh", "fish"):
        done = gatehand_does("completion", shell)
        assert done.returncode == 0, done.stderr
        (folder / f"gatehand.{shell}").write_text(done.stdout)
    return folder


def run(home: Path, *words: str) -> str:
    program = shutil.which(words[0])
    if program is None:
        pytest.skip(f"needs the program {words[0]}")
    env = environment(PATH=f"{home}{os.pathsep}{os.environ['PATH']}", HOME=str(home))
    done = subprocess.run(  # noqa: S603
        [program, *words[1:]], cwd=home, env=env, capture_output=True, text=True, check=False, timeout=60
    )
    assert done.stderr == "", done.stderr
    return done.stdout


def bash(home: Path, *words: str) -> set[str]:
    """What bash offers for the last word. An equals sign is a word of its own there."""
    line = " ".join(f"'{word}'" for word in ("gatehand", *words))
    asked = (
        f"source ./gatehand.bash; COMP_WORDS=({line}); COMP_CWORD=$((${{#COMP_WORDS[@]}} - 1)); "
        "compopt() { :; }; _gatehand; printf '%s\\n' \"${COMPREPLY[@]}\""
    )
    return set(run(home, "bash", "--norc", "-c", asked).split())


def test_bash_offers_every_command(home: Path) -> None:
    assert bash(home, "") == {*COMMANDS, "--config", "--help", "--version"}
    assert bash(home, "re") == {name for name in COMMANDS if name.startswith("re")}
    assert bash(home, "--config", "other.toml", "che") == {"check"}


@pytest.mark.parametrize("name", list(COMMANDS))
def test_bash_offers_every_option_of_every_command(home: Path, name: str) -> None:
    wanted = {flag for action in command_parser(name)[1]._actions for flag in action.option_strings}  # noqa: SLF001
    assert bash(home, name, "-") == wanted - {"--names"}
    assert ("--config" in wanted) is (name not in WITHOUT_CONFIG)


@pytest.mark.parametrize(
    ("words", "offered"),
    [
        (("log", "--tool", ""), {"band_saw", "jointer", "drum_sander", "router"}),
        (("log", "--tool", "j"), {"jointer"}),
        (("log", "--tool", "=", "j"), {"jointer"}),
        (("log", "--tool", "="), {"band_saw", "jointer", "drum_sander", "router"}),
        (("log", "--gate", "p"), {"planing"}),
        (("log", "--collector", ""), {"main"}),
        (("log", "--event", "tool_st"), {"tool_started", "tool_stopped"}),
        (("log", "--since", ""), set()),
        (("tune", ""), {"band_saw", "jointer", "drum_sander", "router"}),
        (("done", ""), {"filter"}),
        (("reset", ""), {"main"}),
        (("hand", "s"), {"sweep"}),
        (("exercise", "--limit", ""), {"main"}),
        (("exercise", "e"), {"emergency"}),
        (("airflow", "--open", "band_saw,sw"), {"band_saw,sweep"}),
        (("run", "--verbosity", "w"), {"warning"}),
        (("check", "--config", "oth"), {"other.toml"}),
        (("--config", "oth"), {"other.toml"}),
        (("log", "--log", "a"), {"afolder"}),
        (("log", "--config", "other.toml", "--tool", ""), {"lathe"}),
        (("--config", "=", "other.toml", "log", "--gate", ""), {"lathe"}),
        (("log", "--config", "missing.toml", "--tool", ""), set()),
        (("completion", ""), {"bash", "zsh", "fish"}),
        (("nonsense", ""), set()),
    ],
)
def test_bash_offers_names_words_and_files_where_they_are_wanted(
    home: Path, words: tuple[str, ...], offered: set[str]
) -> None:
    assert bash(home, *words) == offered


def test_a_tab_that_asks_for_names_loads_nothing_heavy(home: Path) -> None:
    asked = (
        "import sys; from gatehand.cli import main; main(['completion', '--names', 'gate', '--config', 'other.toml']); "
        "print([each for each in ('pydantic', 'msgspec', 'asyncio', 'gatehand_rules') if each in sys.modules])"
    )
    assert run(home, sys.executable, "-c", asked).splitlines() == ["lathe", "[]"]


def fish(home: Path, line: str) -> set[str]:
    found = run(home, "fish", "--no-config", "-c", f'source gatehand.fish; complete -C "{line}"')
    return {each.split("\t")[0] for each in found.splitlines()}


@pytest.mark.parametrize(
    ("line", "offered"),
    [
        ("gatehand che", {"check"}),
        ("gatehand log --to", {"--tool"}),
        ("gatehand log --tool ", {"band_saw", "jointer", "drum_sander", "router"}),
        ("gatehand log --config other.toml --tool ", {"lathe"}),
        ("gatehand log --config=other.toml --gate ", {"lathe"}),
        ("gatehand airflow --open band_saw,sw", {"band_saw,sweep"}),
        ("gatehand run --verbosity w", {"warning"}),
        ("gatehand done ", {"filter"}),
    ],
)
def test_fish_offers_the_same(home: Path, line: str, offered: set[str]) -> None:
    assert fish(home, line) == offered


ZSH = """
autoload -Uz compinit; compinit -u -d $HOME/dump
source ./gatehand.zsh
compadd() {
  # What zsh would offer, instead of a menu that a test cannot read.
  local -a shown; local array=0 each
  for each in "$@"; do [[ $each == -a || $each == -[a-zA-Z]#a ]] && array=1; done
  if (( array )); then shown=(${(P)@[-1]}); else shown=("${@[@]:#-*}"); fi
  for each in $shown; do [[ $each == ${PREFIX}* ]] && print -r -- "offered ${IPREFIX}$each"; done
  builtin compadd "$@"
}
"""


def zsh(home: Path, line: str) -> set[str]:
    """What zsh offers, from a pretended terminal."""
    import pty
    import re
    import select
    import time

    program = shutil.which("zsh")
    if program is None:
        pytest.skip("needs the program zsh")
    (home / ".zshrc").write_text(ZSH + "PS1='ready> '; print begun\n")
    child, terminal = pty.fork()
    if child == 0:
        os.chdir(home)
        env = environment(
            PATH=f"{home}{os.pathsep}{os.environ['PATH']}", HOME=str(home), ZDOTDIR=str(home), TERM="dumb"
        )
        os.execve(program, ["zsh", "-i"], env)  # noqa: S606
    said = ""

    def until(mark: str, seconds: float) -> None:
        nonlocal said
        end = time.monotonic() + seconds
        while mark not in said and time.monotonic() < end:
            if select.select([terminal], [], [], 0.1)[0]:
                said += os.read(terminal, 65536).decode(errors="replace")

    try:
        until("ready> ", 20)
        said = ""
        # What is asked for after the tab is done when the tab is: the line goes (Ctrl-U), and a word of ours comes.
        os.write(terminal, f"{line}\t\x15print -r -- that''s-all\n".encode())
        until("thats-all", 20)
    finally:
        os.kill(child, 9)
        os.waitpid(child, 0)
        os.close(terminal)
    return set(re.findall(r"offered (\S+)", said))


@pytest.mark.parametrize(
    ("line", "offered"),
    [
        ("gatehand log --tool j", {"jointer"}),
        ("gatehand log --config other.toml --tool l", {"lathe"}),
        ("gatehand --config other.toml log --gate l", {"lathe"}),
        ("gatehand airflow --open band_saw,sw", {"sweep", "band_saw,sweep"}),
    ],
)
def test_zsh_offers_the_same(home: Path, line: str, offered: set[str]) -> None:
    assert zsh(home, line) & offered


def test_without_a_shell_it_is_wrong_usage() -> None:
    done = gatehand_does("completion")
    assert (done.returncode, done.stdout) == (2, "")
    assert "bash, zsh, fish" in done.stderr
