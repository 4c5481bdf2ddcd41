"""`gatehand init` as a command: what it refuses, what ends it, what it writes, against a real broker too."""

import os
import subprocess
import sys
import time
from pathlib import Path

import pytest
from support.child import environment, wait_until
from support.mosquitto import Mosquitto
from support.recorder import Observer

from gatehand.cli import main
from gatehand.commands import CommandError, init
from gatehand.config import load
from gatehand.first_config.answers import Kept
from gatehand.first_config.questions import QUESTIONS

ANSWERS = """
collectors = ["main"]
gates = "band saw"
tools = "band saw"
stops = ["emergency"]

[broker]
host = "127.0.0.1"
port = {port}
username = "gatehand"
password_file = "secret"
ca_file = "none"

[collector.main]
worked = "hand"
state = {{ topic = "fan/state", on = 1, off = 0 }}
motor = "none"
command = {{ topic = "fan/set", on = 1, off = 0 }}
coast_down = "8 s"
bin = "none"
reset = "none"

[gate.band_saw]
moved = "motor"
worked = "hand"
state = {{ topic = 'a "quoted" \\ topic/é', pointer = "/v", open = true, shut = false }}
command = {{ topic = "gate/set", open = "open", shut = "shut" }}
travel = 2
button = "none"

[tool.band_saw]
gates = ["band_saw"]
sensor = {{ topic = "saw", pointer = "/power" }}
unit = "W"
start = 120
silent_after = 30
run_on = 10

[stop.emergency]
contact = {{ topic = "estop", active = "pushed", clear = "free" }}
"""


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("GATEHAND_CONFIG", raising=False)
    (tmp_path / "secret").write_text("hunter2\n")
    (tmp_path / "secret").chmod(0o600)
    return tmp_path


def nobody(*words: str) -> tuple[int, str, str]:
    """Run it where nobody types."""
    done = subprocess.run(  # noqa: S603
        [sys.executable, "-m", "gatehand", "init", *words],
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
        env=environment(),
    )
    return done.returncode, done.stdout, done.stderr


def test_it_shows_every_question(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    del folder
    assert main(["init", "--list-questions"]) == 0
    said = capsys.readouterr().out
    assert all(f"\n{key} " in said for key in QUESTIONS)
    assert max(map(len, said.splitlines())) <= 80


def test_it_overwrites_nothing(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (folder / "config.toml").write_text("# mine\n")
    assert main(["init"]) == 1
    assert "is not overwritten; name another with --output other.toml" in capsys.readouterr().err
    assert (folder / "config.toml").read_text() == "# mine\n"
    (folder / "link.toml").symlink_to("nowhere.toml")
    assert main(["init", "--output", "link.toml"]) == 1


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--answer", "broker.hots=x"), "there is no question broker.hots; did you mean broker.host?"),
        (("--answer", "broker.host"), "wanted KEY=VALUE"),
        (("--answers", "nowhere.toml"), "there is no such file"),
        (("--answers", "wrong.toml"), "not valid TOML"),
        (("--answers", "unknown.toml"), "there is no question collector.main.colour"),
    ],
)
def test_a_wrong_answer_is_wrong_usage(
    folder: Path, capsys: pytest.CaptureFixture[str], words: tuple[str, ...], said: str
) -> None:
    (folder / "wrong.toml").write_text("a = \n")
    (folder / "unknown.toml").write_text('[collector.main]\ncolour = "green"\n')
    assert main(["init", *words]) == 2
    assert said in capsys.readouterr().err


def test_an_unfinished_file_that_is_none_is_told(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    Kept(folder / "config.toml").path.write_text("{")
    assert main(["init"]) == 1
    assert "start over with --afresh" in capsys.readouterr().err


def test_afresh_forgets_what_was_kept(folder: Path) -> None:
    kept = Kept(folder / "config.toml")
    kept.what.answers = {"broker.port": 1884}
    kept.write()
    assert "broker.port" not in nobody("--answer", "broker.host=127.0.0.1")[2]
    assert "--answer 'broker.port=...'" in nobody("--afresh", "--answer", "broker.host=127.0.0.1")[2]


def test_a_broker_that_is_not_there_is_told(folder: Path) -> None:
    code, _, said = nobody(
        *(f"--answer=broker.{one}" for one in ("host=127.0.0.1", "port=1", "username=none", "ca_file=none"))
    )
    assert (code, "no connection to the broker at 127.0.0.1:1" in said) == (1, True)
    assert not (folder / "config.toml").exists()


def test_nobody_there_and_a_question_open_is_wrong_usage(folder: Path) -> None:
    del folder
    code, _, said = nobody("--answer", "broker.host=127.0.0.1")
    assert (code, "--answer 'broker.port=...'" in said) == (2, True)


@pytest.mark.broker
def test_answers_in_a_file_make_a_config_that_passes_and_nothing_is_published(folder: Path) -> None:
    users, kept = folder / "users", Kept(folder / "config.toml")
    kept.what.answers = {"stops": "emergency", "gates": "another"}
    kept.write()
    with Mosquitto(("allow_anonymous true",)) as broker, Observer(broker.port, "#") as other:
        users.write_text(ANSWERS.format(port=broker.port).replace('stops = ["emergency"]\n', ""))
        code, said, errors = nobody("--answers", str(users), "--listen-first", "0.2")
        assert "Next: gatehand check, then" in said
        other_one = nobody(
            "--answers", str(users), "--listen-first", "0.2", "--output", "c.toml", "--answer=stops=none"
        )
        assert "Next: gatehand check --config c.toml, then gatehand exercise --config c.toml" in other_one[1]
        assert max(map(len, other_one[1].splitlines())) <= 80
        (folder / "c.toml").unlink(missing_ok=True)
        assert code == 0, errors
        other.publish("end", "1", qos=1)
        wait_until(lambda: other.live("end"))
        assert {topic for topic, *_ in other.seen} == {"end"}
    assert "carrying on from there with 2 answers and 0 trials" in said
    assert "config.toml: written; gatehand check finds no errors in it" in said
    loaded = load(folder / "config.toml")
    assert loaded.config is not None, loaded.problems
    assert loaded.config.gate["band_saw"].state is not None
    assert loaded.config.gate["band_saw"].state.topic == 'a "quoted" \\ topic/é'
    assert loaded.config.tool["band_saw"].start_watts == 120
    assert loaded.config.stop["emergency"].active == "pushed"
    text = (folder / "config.toml").read_text()
    assert "hunter2" not in text
    assert 'password_file = "secret"' in text
    assert not kept.path.exists()
    assert {path.name for path in folder.iterdir()} == {"config.toml", "secret", "users"}


@pytest.mark.broker
def test_a_broker_that_goes_is_told_and_ctrl_c_keeps_what_was_answered(folder: Path) -> None:
    with Mosquitto() as broker:
        answers = [
            f"--answer=broker.{one}"
            for one in ("host=127.0.0.1", f"port={broker.port}", "username=none", "ca_file=none")
        ]
        child = subprocess.Popen(  # noqa: S603
            [sys.executable, "-m", "gatehand", "init", "--listen-first", "0.1", *answers],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            env=environment(),
        )
        assert child.stdin is not None
        assert child.stdout is not None
        said = b""

        def until(word: bytes) -> None:
            nonlocal said
            end = time.monotonic() + 60
            while word not in said:
                assert time.monotonic() < end, said
                said += os.read(child.stdout.fileno(), 4096)  # type: ignore[union-attr]

        until(b"dust collector called?")
        child.stdin.write(b"main, bench\n")
        child.stdin.flush()
        until(b"blast gates")
        broker.stop()
        until(b"Waiting for it")
        broker.revive()
        until(b"The broker is back")
        child.terminate()
        until(b"Nothing is lost")
        assert child.wait(60) == 130
    kept = Kept(folder / "config.toml")
    assert kept.read()
    assert kept.what.answers == {"collectors": "main, bench"}


def test_a_file_that_came_meanwhile_is_not_overwritten(folder: Path) -> None:
    path = folder / "config.toml"
    init.write_new(path, "new\n")
    with pytest.raises(CommandError, match="is not overwritten"):
        init.write_new(path, "newer\n")
    assert path.read_text() == "new\n"
    assert [one.name for one in folder.iterdir() if one.name != "secret"] == ["config.toml"]
