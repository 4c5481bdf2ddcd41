"""The command line of `notify`: what belongs to it and what to the program, and what is wrong is said at once."""

import json
import subprocess
import sys
from pathlib import Path

import pytest
from notify_support import program, told, writer
from support.child import environment

from gatehand.cli import command_parser, main


@pytest.mark.parametrize(
    ("words", "of_program"),
    [
        (["--run", "p"], ["p"]),
        (["--after", "5s", "--run", "p", "--after", "9", "-x", "--", "--ends", "--run", "q"], None),
        (["--run", "--", "p", "-h"], ["p", "-h"]),
        (["--run", "p", "--"], ["p", "--"]),
        (["--run=p", "--help"], ["p", "--help"]),
        (["--run", "p", "--config", "x"], ["p", "--config", "x"]),
    ],
)
def test_all_that_follows_run_is_the_programs_own(words: list[str], of_program: list[str] | None) -> None:
    found = command_parser("notify")[1].parse_args(words)
    assert found.run == (of_program or words[3:])
    assert not found.ends
    assert found.config is None


@pytest.mark.parametrize(
    "words",
    [
        [],
        ["--run"],
        ["--run="[:5], "--"],
        ["--digest", "25:00", "--run", "p"],
        ["--digest", "6 pm", "--run", "p"],
        ["--after", "-1", "--run", "p"],
        ["--limit", "2 h", "--run", "p"],
        ["--nonsense", "--run", "p"],
        ["word", "--run", "p"],
    ],
)
def test_wrong_usage_is_said(words: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["notify", *words]) == 2
    assert "gatehand notify: error: " in capsys.readouterr().err


@pytest.mark.parametrize(
    ("name", "says"),
    [("./gone", "is not there"), ("no-such-program", "in PATH"), ("text", "chmod +x"), (".", "folder")],
)
def test_a_program_that_cannot_be_run_is_an_error_at_the_start(
    tmp_path: Path, name: str, says: str, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "text").write_text("no program")
    named = f"./{name}" if name in {"text", "."} else name
    assert main(["notify", "--broker", "127.0.0.1", "--run", named]) == 2
    assert says in capsys.readouterr().err


def test_a_trial_runs_the_program_once_without_a_broker(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["notify", "--try", "--run", str(writer(tmp_path)), "--mine"]) == 0
    [(arguments, given)] = told(tmp_path)
    assert arguments == ["--mine", "daemon.main.trial"]
    assert given[0]["because"] == "This is a trial: nothing is wrong in the shop."
    assert "it ended well" in capsys.readouterr().out
    assert main(["notify", "--try", "--run", str(program(tmp_path, "sys.exit('no route')"))]) == 1
    assert "exit code 1; it said: no route" in capsys.readouterr().out


def test_a_digest_needs_the_config_and_no_broker_named_needs_it_too(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    run = ["--run", str(writer(tmp_path))]
    missing = ["--config", str(tmp_path / "config.toml")]
    assert main(["notify", *missing, "--broker", "127.0.0.1", "--digest", "18:00", *run]) == 2
    assert "--digest needs the config" in capsys.readouterr().err
    assert main(["notify", *missing, *run]) == 1
    assert "name the broker" in capsys.readouterr().err


def test_a_second_one_of_one_state_folder_is_refused(tmp_path: Path) -> None:
    from gatehand.notify.memory import MemoryFile

    MemoryFile(tmp_path / "state").lock()
    words = ["notify", "--broker", "127.0.0.1:1", "--state", str(tmp_path / "state"), "--run", str(writer(tmp_path))]
    done = subprocess.run(  # noqa: S603
        [sys.executable, "-m", "gatehand", *words], env=environment(), capture_output=True, text=True, check=False
    )
    assert done.returncode == 1
    assert "give each its own --state" in done.stderr


def test_the_daemon_loads_nothing_of_it() -> None:
    said = "import sys, gatehand.commands.run, gatehand.shell.daemon; print(json.dumps(sorted(sys.modules)))"
    done = subprocess.run(  # noqa: S603
        [sys.executable, "-c", f"import json; {said}"], env=environment(), capture_output=True, text=True, check=True
    )
    assert not [name for name in json.loads(done.stdout) if name.startswith("gatehand.notify")]
