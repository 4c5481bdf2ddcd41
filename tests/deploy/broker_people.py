"""A broker set up as deploy/ does it, and people with logins on it. Used by the access and encryption tests."""

import re
import shutil
import subprocess
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from paho.mqtt import client as paho
from paho.mqtt.enums import CallbackAPIVersion
from support.child import wait_until

ROOT = Path(__file__).resolve().parents[2]
PASSWORD = "a password for tests"


def write_passwords(file: Path, names: list[str]) -> None:
    """A password file for the broker, one password for everybody."""
    program = shutil.which("mosquitto_passwd")
    assert program is not None, "mosquitto_passwd comes with the package mosquitto"
    file.write_text("".join(f"{name}:{PASSWORD}\n" for name in names))
    subprocess.run([program, "-U", str(file)], check=True, capture_output=True)  # noqa: S603
    file.chmod(0o644)


def deployed(folder: Path, port: int) -> str:
    """The settings of deploy/mosquitto/gatehand.conf, with its files in `folder` and this port for 1883."""
    text = (ROOT / "deploy/mosquitto/gatehand.conf").read_text()
    assert "listener 1883 127.0.0.1\n" in text
    return text.replace("listener 1883 ", f"listener {port} ").replace("/etc/mosquitto/", f"{folder}/")


def shown(file: Path, name: str) -> str:
    """The commands of the block that is marked `<!-- tried: NAME -->` in one of deploy/'s notes."""
    found = re.search(rf"<!-- tried: {name} -->\n```sh\n(.*?)```", file.read_text(), re.DOTALL)
    assert found is not None, f"{file} shows no {name}"
    return found[1]


class Person:
    """A client with a login, that remembers what it heard."""

    def __init__(
        self,
        port: int,
        name: str | None,
        *,
        ca_file: Path | None = None,
        host: str = "127.0.0.1",
        password: str = PASSWORD,
    ) -> None:
        self.heard: list[tuple[str, bytes]] = []
        self.refused: str | None = None
        self._there = threading.Event()
        self._subscribed = threading.Event()
        # Who is refused does not try again, which would keep him for a second.
        self._client = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5, reconnect_on_failure=False)
        if name is not None:
            self._client.username_pw_set(name, password)
        if ca_file is not None:
            self._client.tls_set(ca_certs=str(ca_file))
        self._client.on_connect = self._on_connect
        self._client.on_message = lambda _c, _u, message: self.heard.append((message.topic, bytes(message.payload)))
        self._client.on_subscribe = lambda *_: self._subscribed.set()
        self._client.connect(host, port)
        self._client.loop_start()
        assert self._there.wait(60), "the broker gave no answer"

    def _on_connect(self, _client: object, _data: object, _flags: object, code: object, _props: object) -> None:
        self.refused = str(code) if str(code) != "Success" else None
        self._there.set()

    def listen(self, topic: str) -> None:
        """Subscribe and wait until the broker has answered."""
        self._subscribed.clear()
        self._client.subscribe(topic, qos=1)
        assert self._subscribed.wait(60)

    def say(self, topic: str, payload: str) -> str:
        """Publish at QoS 1 and wait for the broker's answer."""
        info = self._client.publish(topic, payload, qos=1)
        info.wait_for_publish(60)
        return "said"

    def has_heard(self, *wanted: tuple[str, bytes]) -> None:
        """Wait until so much has come, and see that it is this and no more."""
        wait_until(lambda: len(self.heard) >= len(wanted))
        assert self.heard == [*wanted]

    def leave(self) -> None:
        """Go away."""
        self._client.disconnect()
        self._client.loop_stop()


@contextmanager
def people(port: int, *names: str | None) -> Iterator[list[Person]]:
    """Connected persons, gone at the end."""
    there = [Person(port, name) for name in names]
    try:
        yield there
    finally:
        for person in there:
            person.leave()
