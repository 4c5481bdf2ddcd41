"""What we lean on in the client libraries, and that nobody else in the project does."""

import inspect
import re
import socket
import subprocess
import sys
from pathlib import Path

import aiomqtt
import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion
from support.scripted_broker import ScriptedBroker

import gatehand
from gatehand.mqtt.client import NO_ANSWER

DAEMON = Path(gatehand.__file__).parent
LIBRARIES = re.compile(r"^\s*(?:import|from) (?:aiomqtt|paho)\b", re.MULTILINE)


PRIVATE = {"client._client", "self._paho._send_pingreq"}
"""All that is reached of the client libraries' insides: one part of each."""


async def test_the_private_parts_we_use_are_there() -> None:
    client = aiomqtt.Client("127.0.0.1")
    assert isinstance(client._client, paho.Client), "mend daemon/gatehand/mqtt/client.py"  # noqa: SLF001
    assert callable(client._client.on_publish), "mend daemon/gatehand/mqtt/client.py"  # noqa: SLF001
    assert hasattr(paho.Client, "_send_pingreq"), "mend daemon/gatehand/mqtt/connection.py"


def test_no_other_private_part_is_used() -> None:
    found = {
        use.group()
        for path in (DAEMON / "mqtt").glob("*.py")
        for line in path.read_text().splitlines()
        if "SLF001" in line and (use := re.search(r"[a-z_.]+\._[a-z_]+", line.partition("=")[2] or line))
    }
    assert found == PRIVATE


async def test_aiomqtt_still_says_a_brokers_silence_in_these_words() -> None:
    async with ScriptedBroker(connack=None) as mute:
        client = aiomqtt.Client("127.0.0.1", mute.port, timeout=0.05)
        with pytest.raises(aiomqtt.MqttError, match=f"^{NO_ANSWER}$"):
            await client.__aenter__()


def test_a_closed_socket_is_no_trouble_to_paho() -> None:
    """The connection closes it itself, with a reset: what paho does afterwards must end quietly."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        client = paho.Client(CallbackAPIVersion.VERSION2)
        ended: list[object] = []
        client.on_disconnect = lambda *facts: ended.append(facts)
        client.connect("127.0.0.1", server.getsockname()[1])
        sock = client.socket()
        assert sock is not None
        sock.close()
        assert client.loop_read() == paho.MQTT_ERR_CONN_LOST
        assert client.socket() is None
        assert len(ended) == 1


def test_paho_still_tells_a_topic_that_is_not_utf_8_by_raising() -> None:
    with pytest.raises(UnicodeDecodeError):
        _ = paho.MQTTMessage(topic=b"\xff").topic


def test_paho_still_writes_nothing_by_itself_while_a_writer_is_registered() -> None:
    """The connection writes within `publish`; if paho did so too, a message would go out twice or out of order."""
    client = paho.Client(CallbackAPIVersion.VERSION2)
    assert "_on_socket_register_write is None" in inspect.getsource(client._packet_queue)  # noqa: SLF001


def test_only_the_clients_and_their_translation_import_a_client_library() -> None:
    importers = {
        path.relative_to(DAEMON).as_posix() for path in DAEMON.rglob("*.py") if LIBRARIES.search(path.read_text())
    }
    assert importers == {f"mqtt/{name}.py" for name in ("client", "connection", "paho_client")}


def test_the_session_imports_neither_the_embedded_broker_nor_the_command_lines_client() -> None:
    code = "import sys, gatehand.mqtt.session, gatehand.mqtt.embedded; print({'amqtt', 'aiomqtt'} & sys.modules.keys())"
    done = subprocess.run(  # noqa: S603
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, env={"PYTHONPATH": ":".join(sys.path)}
    )
    assert done.stdout == "set()\n"
