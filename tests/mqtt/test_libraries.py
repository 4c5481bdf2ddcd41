"""What we lean on in the client libraries, and that nobody else in the project does."""

import inspect
import re
import subprocess
import sys
from pathlib import Path

import aiomqtt
import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion

import gatehand

DAEMON = Path(gatehand.__file__).parent
LIBRARIES = re.compile(r"^\s*(?:import|from) (?:aiomqtt|paho)\b", re.MULTILINE)


async def test_the_private_parts_we_use_are_there() -> None:
    client = aiomqtt.Client("127.0.0.1")
    for name in ("_client", "_connected", "_disconnected", "_misc_task", "_on_connect"):
        assert hasattr(client, name), f"aiomqtt has no {name} any more: mend daemon/gatehand/mqtt/link.py"
    for name in ("_sock_close", "_send_pingreq"):
        assert hasattr(client._client, name), f"paho has no {name} any more: mend daemon/gatehand/mqtt/link.py"  # noqa: SLF001


def test_paho_still_tells_a_topic_that_is_not_utf_8_by_raising() -> None:
    with pytest.raises(UnicodeDecodeError):
        _ = paho.MQTTMessage(topic=b"\xff").topic


def test_paho_still_writes_nothing_by_itself_while_a_writer_is_registered() -> None:
    """The link writes within `publish`; if paho did so too, a message would go out twice or out of order."""
    client = paho.Client(CallbackAPIVersion.VERSION2)
    assert "_on_socket_register_write is None" in inspect.getsource(client._packet_queue)  # noqa: SLF001


def test_only_the_clients_and_their_translation_import_a_client_library() -> None:
    importers = {
        path.relative_to(DAEMON).as_posix() for path in DAEMON.rglob("*.py") if LIBRARIES.search(path.read_text())
    }
    assert importers == {f"mqtt/{name}.py" for name in ("client", "deliver", "link", "properties", "wire")}


def test_the_session_imports_no_embedded_broker() -> None:
    code = "import sys, gatehand.mqtt.session, gatehand.mqtt.embedded; print('amqtt' in sys.modules)"
    done = subprocess.run(  # noqa: S603
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, env={"PYTHONPATH": ":".join(sys.path)}
    )
    assert done.stdout == "False\n"
