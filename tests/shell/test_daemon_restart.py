"""What a daemon killed in the middle of its work leaves to the next one."""

import signal
from pathlib import Path

import pytest
from daemon_support import OFF, ON, SHOP, Process, Shopfloor
from support.child import wait_until
from support.mosquitto import Mosquitto

pytestmark = pytest.mark.broker

TWICE_AN_HOUR = SHOP.replace("coast_down = 0.5", "coast_down = 0.5\nstarts_per_hour = 2")


def cut(floor: Shopfloor) -> None:
    """The band saw cuts and stops."""
    since = len(floor.commands)
    floor.say("shop/band_saw/amps", "5")
    wait_until(lambda: ON in floor.told(since), what="the fan is switched on")
    floor.say("shop/band_saw/amps", "0.1")


@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGTERM])
def test_the_starts_of_the_hour_still_count(how: signal.Signals, tmp_path: Path) -> None:
    """I8: two starts are allowed; the first was before the daemon died, so the second runs on until it is free."""
    with Mosquitto() as broker:
        text = TWICE_AN_HOUR.format(port=broker.port)
        with Shopfloor(broker.port) as floor:
            with Process(tmp_path, text) as first:
                floor.idle()
                cut(floor)
                since = len(floor.commands)
                wait_until(lambda: OFF in floor.told(since), what="one start is no reason to stay on")
                assert "starts" not in first.events("daemon_started")[0]
                first.signal(how)
                first.wait()
            wait_until(lambda: floor.retained.get("gatehand/online") == "0", what="it is gone")
            with Process(tmp_path, text) as second:
                floor.idle()
                assert second.events("daemon_started")[-1]["starts"] == "main 1"
                cut(floor)
                kept = wait_until(lambda: second.events("collector_kept_on"), what="the fan is kept on")
                assert (kept[0]["starts_this_hour"], kept[0]["starts_per_hour"]) == (2, 2)
                assert 3500 < kept[0]["for_seconds"] < 3600
                assert floor.shown("collector/main")["starts_this_hour"] == 2
