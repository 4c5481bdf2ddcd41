"""What `gatehand reset`, `hold` and `hand` make of a daemon that answers late, twice, for another, or not at all."""

import json
import signal
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion
from support.child import environment, wait_until
from support.mosquitto import Mosquitto
from support.ports import free_port

from gatehand.cli import main
from gatehand.commands import INTERRUPTED

pytestmark = pytest.mark.broker
CONFIG = """
[broker]
port = {port}
protocol = "{protocol}"

[collector.main]
command = {{ topic = "fan/set", on = "1", off = "0" }}
{more}
[gate.sweep]
collector = "main"
command = {{ topic = "gate/set", open = "open", shut = "shut" }}
button = {{ topic = "gate/button", pressed = "1" }}
"""
SECOND = """
[collector.sander]
command = { topic = "fan2/set", on = "1", off = "0" }
min_open = 0
[tool.sander]
collector = "sander"
current = { topic = "amps" }
start_amps = 2
"""
RESET = "gatehand/collector/main/reset"
Script = Callable[["Daemon", dict[str, Any]], None]


class Daemon:
    """Somebody who listens where the daemon does, and says what a test wants."""

    def __init__(self, port: int, script: Script, *, listens: bool = True, online: str = "1") -> None:
        self._script = script
        self.asked: list[tuple[str, dict[str, Any]]] = []
        self._there = threading.Event()
        self._client = paho.Client(CallbackAPIVersion.VERSION2)
        self._client.on_message = self._on_message
        self._client.on_subscribe = lambda *_: self._there.set()
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        topics = [RESET, "gatehand/collector/main/hold", "gatehand/gate/sweep/hand"]
        self._client.subscribe([(topic, 1) for topic in (topics if listens else ["nothing"])])
        assert self._there.wait(60)
        self.retain("gatehand/online", online)

    def say(self, topic: str, **body: object) -> None:
        self._client.publish(topic, json.dumps(body), 1)

    def retain(self, topic: str, payload: str) -> None:
        self._client.publish(topic, payload, 1, retain=True).wait_for_publish(60)

    def answer(self, ask_id: str, text: str, *, ok: bool = True, rule: str = "hold") -> None:
        self.say(f"gatehand/answer/{ask_id}", ok=ok, rule=rule, text=text)

    def _on_message(self, _client: paho.Client, _userdata: object, message: paho.MQTTMessage) -> None:
        body = json.loads(message.payload)
        self.asked.append((message.topic, body))
        # Not in the network's own thread, which has to go on.
        threading.Thread(target=self._script, args=(self, body), daemon=True).start()

    def leave(self) -> None:
        self.retain("gatehand/online", "")
        self._client.disconnect()
        self._client.loop_stop()


@contextmanager
def daemon(broker: Mosquitto, script: Script, *, listens: bool = True, online: str = "1") -> Iterator[Daemon]:
    found = Daemon(broker.port, script, listens=listens, online=online)
    try:
        yield found
    finally:
        found.leave()


@pytest.fixture
def config(broker: Mosquitto, tmp_path: Path) -> Path:
    return written(tmp_path, broker.port)


def written(folder: Path, port: int, protocol: str = "5", more: str = "") -> Path:
    file = folder / "config.toml"
    file.write_text(CONFIG.format(port=port, protocol=protocol, more=more))
    return file


def silent(_daemon: Daemon, _body: dict[str, Any]) -> None:
    """Says nothing."""


def does(config: Path, capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    capsys.readouterr()
    code = main([words[0], "--config", str(config), *words[1:]])
    said = capsys.readouterr()
    return code, said.out, said.err


def test_the_request_is_what_the_daemon_reads(
    broker: Mosquitto, config: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with daemon(broker, lambda told, body: told.answer(body["id"], "done")) as found:
        assert does(config, capsys, "reset", "--by", "Anna", "--because", "bin emptied")[0] == 0
        assert does(config, capsys, "hold", "--because", "filter change", "--by", "Anna")[0] == 0
        assert does(config, capsys, "hand", "sweep", "--off", "--by", "Anna")[0] == 0
    asked = [(topic, {key: text for key, text in body.items() if key != "id"}) for topic, body in found.asked]
    assert asked == [
        (RESET, {"value": "1", "because": "bin emptied", "by": "Anna"}),
        ("gatehand/collector/main/hold", {"value": "1", "because": "filter change", "by": "Anna"}),
        ("gatehand/gate/sweep/hand", {"value": "0", "by": "Anna"}),
    ]
    assert len({body["id"] for _, body in found.asked}) == len(asked)


def test_only_the_first_answer_to_the_own_id_counts(
    broker: Mosquitto, config: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    def script(told: Daemon, body: dict[str, Any]) -> None:
        told.answer("somebody-else", "of another")
        told.say(f"gatehand/answer/{body['id']}", nonsense=True)
        told.answer(body["id"], "the first one")
        told.answer(body["id"], "the second one", ok=False)

    with daemon(broker, script):
        code, out, _ = does(config, capsys, "reset")
    assert (code, out.splitlines()[0]) == (0, "The first one.")


def test_an_answer_that_comes_late_is_waited_for_and_a_later_one_is_said_to_be_open(
    broker: Mosquitto, config: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    go = threading.Event()

    def late(told: Daemon, body: dict[str, Any]) -> None:
        go.wait(60)
        told.answer(body["id"], "late, and done")

    with daemon(broker, late):
        code, _, err = does(config, capsys, "reset", "--timeout", "0.5")
        assert code == 1
        assert "is online and did not answer within 0.5 s; it may still do it: gatehand status shows it" in err
        go.set()
        code, out, _ = does(config, capsys, "reset", "--timeout", "60")
        assert (code, out.splitlines()[0]) == (0, "Late, and done.")


def test_a_daemon_that_leaves_before_it_answers_leaves_it_open(
    broker: Mosquitto, config: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    def restarts(told: Daemon, _body: dict[str, Any]) -> None:
        told.retain("gatehand/online", "0")
        told.retain("gatehand/online", "1")

    with daemon(broker, restarts):
        code, out, err = does(config, capsys, "hand", "sweep", "--timeout", "3", "--json")
    assert (code, err) == (1, "")
    said = json.loads(out)
    assert (said["ok"], said["answered"], said["gate"], said["rule"]) == (False, False, "sweep", "no_daemon")
    assert "went offline before it answered, so it may or may not have done it" in said["text"]


def test_no_daemon_is_told_from_no_broker(
    broker: Mosquitto, config: Path, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    code, _, err = does(config, capsys, "reset")
    assert (code, "no daemon listens on gatehand at" in err) == (1, True), err
    with daemon(broker, silent, listens=False, online="0"):
        code, _, err = does(config, capsys, "hold", "--because", "filter change", "--timeout", "60")
        assert (code, "is offline, so nothing was done: start it" in err) == (1, True), err
        assert "gatehand off" in err
    with daemon(broker, silent, listens=False):
        code, _, err = does(config, capsys, "reset", "--timeout", "60")
        assert (code, "its config has no collector main" in err) == (1, True), err
    code, _, err = does(written(tmp_path, free_port()), capsys, "reset")
    assert (code, "no connection to the broker" in err) == (1, True), err
    code, out, err = does(written(tmp_path, free_port()), capsys, "reset", "--json")
    assert (code, err, json.loads(out)["rule"]) == (1, "", "no_broker")


def test_under_3_1_1_silence_may_be_a_login_that_may_not(
    broker: Mosquitto, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    with daemon(broker, silent):
        code, _, err = does(written(tmp_path, broker.port, "3.1.1"), capsys, "reset", "--timeout", "0.5")
    assert code == 1
    assert "may not write gatehand/collector/main/reset or read gatehand/answer/+" in err
    assert "--username hands --password-file FILE" in err


def test_of_several_collectors_one_must_be_named(
    broker: Mosquitto, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    code, _, err = does(written(tmp_path, broker.port, more=SECOND), capsys, "reset")
    assert code == 2
    assert "there are the collectors main and sander: name one" in err


HEEDING_CTRL_C = (
    "import signal, sys; signal.signal(signal.SIGINT, signal.default_int_handler); "
    "from gatehand.cli import main; sys.exit(main(sys.argv[1:]))"
)
"""What runs the tests in the background may have it ignored, and so would what they start."""


def test_ctrl_c_says_what_is_known(broker: Mosquitto, config: Path) -> None:
    with daemon(broker, silent) as found:
        process = subprocess.Popen(  # noqa: S603
            [sys.executable, "-c", HEEDING_CTRL_C, "reset", "--config", str(config), "--timeout", "60"],
            stderr=subprocess.PIPE,
            env=environment(),
            text=True,
        )
        wait_until(lambda: found.asked, what="it asks")
        process.send_signal(signal.SIGINT)
        _, err = process.communicate(timeout=60)
    assert process.returncode == INTERRUPTED
    assert "interrupted; the daemon was asked and may still do it" in err
