"""The command line's door: the table is honest, the exit codes hold, and only the chosen command is imported."""

import importlib
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from gatehand import commands
from gatehand.cli import COMMANDS, main

SMALLEST = Path(__file__).parent / "good" / "smallest.toml"
SOURCES = os.pathsep.join(path for path in sys.path if path)


def gatehand(*arguments: str, code: str = "from gatehand.cli import main; sys.exit(main())", **kept: str) -> str:
    """Run in a process of its own; standard output and error together, then the exit code."""
    environment = {**os.environ, "PYTHONPATH": SOURCES, **kept}
    done = subprocess.run(  # noqa: S603 -- our own interpreter
        [sys.executable, "-c", f"import sys; {code}", *arguments],
        capture_output=True,
        text=True,
        env=environment,
        check=False,
    )
    return f"{done.stdout}{done.stderr}exit {done.returncode}"


def test_every_command_of_the_table_has_its_module_and_every_module_its_line() -> None:
    (folder,) = commands.__path__
    modules = {path.stem for path in Path(folder).glob("[!_]*.py")}
    assert set(COMMANDS) == modules


@pytest.mark.parametrize("name", COMMANDS)
def test_every_help_ends_with_its_example(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main([name, "--help"]) == 0
    what, example = COMMANDS[name]
    assert capsys.readouterr().out.endswith(f"example:\n  {example}\n")
    assert example.startswith(f"gatehand {name}")
    assert what
    module = importlib.import_module(f"gatehand.commands.{name}")
    assert callable(module.configure)
    assert callable(module.run)


def test_an_unknown_command_exits_2_and_names_the_nearest(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["chekc"]) == 2
    assert capsys.readouterr().err == "gatehand: there is no command 'chekc'; did you mean check?\n"
    assert main(["xyzzy"]) == 2
    assert f"there are {', '.join(COMMANDS)}" in capsys.readouterr().err


def test_no_command_exits_2_and_shows_what_there_is(capsys: pytest.CaptureFixture[str]) -> None:
    assert main([]) == 2
    text = capsys.readouterr().err
    assert all(f"  {name} " in text for name in COMMANDS)
    assert "not a safety device" in " ".join(text.split())


def test_an_unknown_option_exits_2() -> None:
    assert main(["check", "--jsno"]) == 2
    assert main(["--nonsense"]) == 2


def test_help_and_version_exit_0(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--help"]) == 0
    assert main(["--version"]) == 0
    assert capsys.readouterr().out.splitlines()[-1].startswith("gatehand ")


def test_the_config_comes_from_the_option_then_the_environment_then_this_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("GATEHAND_CONFIG", raising=False)
    assert main(["check"]) == 1
    assert capsys.readouterr().out.startswith("config.toml:1:1: error: there is no such file")
    monkeypatch.setenv("GATEHAND_CONFIG", str(SMALLEST))
    assert main(["check"]) == 0
    assert main(["check", "--config", "other.toml"]) == 1
    assert main(["--config", "other.toml", "check"]) == 1
    assert "other.toml:1:1" in capsys.readouterr().out


def test_only_the_chosen_command_is_imported() -> None:
    code = (
        "from gatehand.cli import main; main(['schema', '--write', '/dev/null']); "
        "print(sorted(name for name in sys.modules if name.startswith('gatehand.commands.')))"
    )
    assert "['gatehand.commands.schema']" in gatehand(code=code)


def test_reading_the_config_imports_nothing_heavy() -> None:
    heavy = {
        "rich",
        "fluids",
        "numpy",
        "scipy",
        "aiomqtt",
        "paho",
        "amqtt",
        "asyncio",
        "structlog",
        "tomlkit",
        "jsonschema",
    }
    code = f"import gatehand.config; print(sorted({heavy!r} & set(sys.modules)))"
    assert gatehand(code=code) == "[]\nexit 0"


def test_an_interrupt_exits_130() -> None:
    code = (
        "import gatehand.commands.check as c\n"
        "def run(args): raise KeyboardInterrupt\n"
        "c.run = run\n"
        "from gatehand.cli import main\n"
        "sys.exit(main())"
    )
    assert gatehand("check", code=code) == f"exit {128 + signal.SIGINT}"


def test_a_closed_pipe_is_quiet() -> None:
    environment = {**os.environ, "PYTHONPATH": SOURCES}
    command = [sys.executable, "-m", "gatehand", "schema"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, env=environment) as child:  # noqa: S603
        assert child.stdout is not None
        assert child.stderr is not None
        child.stdout.close()
        assert child.stderr.read() == b""
    assert child.returncode == 128 + signal.SIGPIPE
