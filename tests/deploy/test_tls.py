"""Encryption: the daemon and `gatehand off` talk to a broker whose certificate their authority has signed, to no other.

Certificates are made in the test by the program openssl; the broker is a real Mosquitto.
"""

from collections.abc import Iterator
from pathlib import Path

import pytest
from broker_people import Person
from support.certificates import make_authority, make_broker_certificate
from support.child import RunningDaemon, gatehand_does, wait_until
from support.mosquitto import Mosquitto

pytestmark = pytest.mark.broker

SHOP = """
[broker]
port = {port}
tls = {{ ca_file = "{ca}" }}

[collector.main]
command = {{ topic = "shop/fan/set", on = "1", off = "0" }}

[gate.band_saw]
command = {{ topic = "shop/gate/set", open = "open", shut = "shut" }}

[tool.band_saw]
gates = ["band_saw"]
current = {{ topic = "shop/band_saw/amps" }}
start_amps = 2.5
"""


@pytest.fixture(scope="module")
def broker() -> Iterator[Mosquitto]:
    """A broker that speaks TLS alone, and two authorities: the shop's own, that signed it, and a stranger's."""
    broker = Mosquitto()
    make_authority(broker.folder, "shop")
    make_authority(broker.folder, "stranger")
    broker.configure(*make_broker_certificate(broker.folder, "shop"))
    with broker as running:
        yield running


@pytest.fixture
def fan(broker: Mosquitto) -> Iterator[Person]:
    """The collector's switch, over TLS too."""
    person = Person(broker.port, None, ca_file=broker.folder / "shop.pem")
    person.listen("shop/fan/set")
    person.listen("gatehand/online")
    yield person
    person.leave()


def written(folder: Path, broker: Mosquitto, authority: str) -> Path:
    file = folder / "config.toml"
    file.write_text(SHOP.format(port=broker.port, ca=broker.folder / f"{authority}.pem"))
    return file


def test_the_daemon_works_over_an_encrypted_connection(broker: Mosquitto, fan: Person, tmp_path: Path) -> None:
    written(tmp_path, broker, "shop")
    with RunningDaemon(tmp_path) as daemon:
        wait_until(lambda: ("gatehand/online", b"1") in fan.heard, what=daemon.said)
        wait_until(lambda: ("shop/fan/set", b"0") in fan.heard, what="the first off")


def test_the_daemon_refuses_a_broker_that_its_authority_has_not_signed(
    broker: Mosquitto, fan: Person, tmp_path: Path
) -> None:
    written(tmp_path, broker, "stranger")
    with RunningDaemon(tmp_path) as daemon:
        wait_until(lambda: "no encrypted connection to the broker" in daemon.said)
        assert "certificate verify failed" in daemon.said
    assert ("gatehand/online", b"1") not in fan.heard
    assert ("shop/fan/set", b"0") not in fan.heard


def test_off_works_over_an_encrypted_connection(broker: Mosquitto, fan: Person, tmp_path: Path) -> None:
    config = written(tmp_path, broker, "shop")
    done = gatehand_does("off", "--config", str(config))
    assert (done.returncode, done.stdout) == (0, f"by {config}:\ncollector main: off sent\n")
    wait_until(lambda: ("shop/fan/set", b"0") in fan.heard)


def test_off_refuses_a_broker_that_its_authority_has_not_signed(broker: Mosquitto, fan: Person, tmp_path: Path) -> None:
    done = gatehand_does("off", "--config", str(written(tmp_path, broker, "stranger")))
    assert done.returncode == 1
    assert "no encrypted connection" in done.stdout
    assert "correct tls in [broker]" in done.stdout
    assert not any(topic == "shop/fan/set" for topic, _ in fan.heard)


def test_a_certificate_for_another_name_is_refused(tmp_path: Path) -> None:
    with_other_name = Mosquitto()
    make_authority(with_other_name.folder, "shop")
    with_other_name.configure(*make_broker_certificate(with_other_name.folder, "shop", names="DNS:elsewhere.test"))
    with with_other_name as broker:
        config = written(tmp_path, broker, "shop")
    done = gatehand_does("off", "--config", str(config))
    assert done.returncode == 1
    assert "no encrypted connection" in done.stdout
