"""A device whose `online` topic says that it is gone: while it is, `why` about it without a moment says so."""

from collections.abc import Callable

import pytest
from support.recorded_shop import SHOP, RecordedShop

from gatehand.cli import main
from gatehand.simshop.gate import GateTrouble
from why.why_support import why

Make = Callable[..., RecordedShop]
Out = pytest.CaptureFixture[str]

_ONLINE = 'online = { topic = "shop/%s/online", active = "1", clear = "0" }\n'
EACH_TELLS = (
    SHOP.replace("travel = 1.5\n", "travel = 1.5\n" + _ONLINE % "gate")
    .replace("start_amps = 2.5\n", "start_amps = 2.5\n" + _ONLINE % "saw")
    .replace("spin_up = 2\n", "spin_up = 2\n" + _ONLINE % "fan")
)
STEP = "Look at its device's power and network."


@pytest.mark.parametrize(
    ("topic", "asked", "said"),
    [
        ("saw", "band_saw", ("the sensor of band saw", "a silent sensor starts nothing")),
        ("gate", "gate.band_saw", ("the device of gate band saw", "no command reaches it")),
        ("fan", "main", ("the device of collector main", "no command reaches it")),
    ],
)
def test_a_device_that_is_offline_now_ranks_above_what_was_before(
    make: Make, capsys: Out, topic: str, asked: str, said: tuple[str, str]
) -> None:
    shop = make(EACH_TELLS)
    shop.cut("band_saw", 20, amps=2.2, then=30)
    shop.shop.gates["band_saw"].suffer(GateTrouble.JAM, shop.clocks.now)
    shop.cut("band_saw", 20, amps=6, then=30)
    before = why(shop, capsys, asked)
    assert before["case"] != "offline"
    shop.shop.tools["band_saw"].silence(on=True)  # whoever speaks is not offline
    shop.say(f"shop/{topic}/online", "0")
    shop.run(20)
    found = why(shop, capsys, asked)
    gone = f"{said[0]} has been offline since 08:02:11, as its online topic says: {said[1]}"
    assert (found["case"], found["verdict"], found["next_step"]) == ("offline", gone, STEP)
    assert [one["text"].rpartition(": ")[2] for one in found["story"]] == ["its device is offline"]
    shop.say(f"shop/{topic}/online", "1")
    shop.run(60)
    assert "has been offline" not in (after := why(shop, capsys, asked))["verdict"]
    assert topic == "saw" or after["verdict"] == before["verdict"], "a silent sensor is newer"


def test_a_device_that_was_offline_when_the_daemon_stopped(make: Make, capsys: Out) -> None:
    """Nothing is known of it since; what the next run finds retained it says anew."""
    shop = make(EACH_TELLS)
    shop.say("shop/gate/online", "0")
    shop.run(60)
    shop.end()
    said = "the device of gate band saw was offline when Gatehand stopped at 08:01:31, since 08:00:31, as its "
    assert why(shop, capsys, "gate.band_saw")["verdict"] == said + "online topic had said"
    shop.begin()
    assert main(["why", "gate.band_saw", "--config", str(shop.config)]) == 0
    assert "Nothing about band_saw in the log" in capsys.readouterr().out
