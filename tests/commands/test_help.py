"""Every command says what it is for and gives one example that its own parser takes."""

import errno
import shlex
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from support.child import environment, gatehand_does

from gatehand.cli import COMMANDS, WITHOUT_CONFIG, command_parser, main


@pytest.mark.parametrize("name", list(COMMANDS))
def test_help_ends_with_one_example(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main([name, "--help"]) == 0
    said = capsys.readouterr().out
    what, example = COMMANDS[name]
    assert said.startswith(f"usage: gatehand {name} ")
    assert said.endswith(f"example:\n  {example}\n")
    assert ("--config FILE" in said) is (name not in WITHOUT_CONFIG)
    assert what == what.strip().rstrip(".")


@pytest.mark.parametrize("name", list(COMMANDS))
def test_the_example_is_of_that_command_and_parses(name: str) -> None:
    words = shlex.split(COMMANDS[name][1].split(" > ")[0])
    assert words[:2] == ["gatehand", name]
    command_parser(name)[1].parse_args(words[2:])  # exits on a mistake


@pytest.mark.parametrize("name", list(COMMANDS))
def test_every_option_says_what_it_does(name: str) -> None:
    import argparse

    for action in command_parser(name)[1]._actions:  # noqa: SLF001
        if action.help is not argparse.SUPPRESS:
            assert action.help, f"{name}: {action.option_strings or action.dest}"


def test_help_names_every_command_and_the_caution() -> None:
    done = gatehand_does("--help")
    assert done.returncode == 0
    assert all(f"\n  {name} " in done.stdout for name in COMMANDS)
    assert "not a safety device" in " ".join(done.stdout.split())


@pytest.mark.parametrize("name", ["off", "reload", "completion", "check"])
def test_help_of_the_quick_ones_loads_nothing_heavy(name: str) -> None:
    program = (
        "import sys; from gatehand.cli import main; main([sys.argv[1], '--help']); "
        "print(sorted({each.split('.')[0] for each in sys.modules} & set(sys.argv[2:])))"
    )
    heavy = ["aiomqtt", "paho", "rich", "amqtt", "tomlkit", "structlog", "asyncio"]
    done = subprocess.run(  # noqa: S603
        [sys.executable, "-c", program, name, *heavy], env=environment(), capture_output=True, text=True, check=True
    )
    loaded = done.stdout.splitlines()[-1]
    assert loaded == ("['asyncio']" if name == "reload" else "[]")


def test_a_log_that_may_not_be_read_is_said_and_not_thrown(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "log").mkdir()
    example = (Path(__file__).parents[2] / "config.example.toml").read_text(encoding="utf-8")
    (tmp_path / "config.toml").write_text(example, encoding="utf-8")

    def refuse(_path: Path) -> Iterator[Path]:
        raise PermissionError(errno.EACCES, "Permission denied", "log")  # root, as in a container, may read everything

    monkeypatch.setattr(Path, "iterdir", refuse)
    for command in ("why", "report", "tune", "replay", "log"):
        assert main([command, "--config", str(tmp_path / "config.toml")]) == 1, command
        assert "Permission denied" in capsys.readouterr().err, command
