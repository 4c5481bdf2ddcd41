"""An emergency stop pressed in a flood: from the press to the collector's "off" at the broker.

The flood is on a gate's state topic, which the daemon listens to; the press is a message of QoS 1 like any device's.
"""

import time
from collections.abc import Iterator

import bench_shops
from bench_kit import Client, Figure, Program, Size, mosquitto, scratch
from support.flood import Flood

RATES = (20_000, 30_000, 50_000)
AIM = 0.5
"""Seconds: what the project sets itself."""
_FLOODED = 60.0
_FILLS = 3.0

SHOP = """
[broker]
port = {port}

[collector.main]
command = {{ topic = "shop/fan/set", on = "1", off = "0" }}

[gate.bench]
command = {{ topic = "shop/gate/bench/set", open = "open", shut = "shut" }}
state = {{ topic = "shop/gate/bench/state", open = "open", shut = "shut" }}
travel = 0.3

[tool.router]
gates = ["bench"]
current = {{ topic = "shop/router/amps" }}
start_amps = 2

[stop.emergency]
topic = "shop/estop"
active = "1"
clear = "0"
"""


def figures(size: Size) -> Iterator[Figure]:
    """The figures."""
    with scratch() as folder, mosquitto() as port, Client(port, "gatehand/online/stops") as observer:
        config = bench_shops.write(folder / "flood", SHOP.format(port=port))
        with Program(["-m", "gatehand", "run", "--config", str(config)], folder / "cache", folder / "said"):
            observer.wait_for("gatehand/online/stops", seconds=60)
            for rate in RATES:
                took = [_press(port, rate) for _ in range(size.of(5, 2))]
                yield Figure(
                    what=f"from a pressed stop to its off, in a flood of {rate:,} messages a second",
                    unit="ms",
                    ours=[seconds * 1000 for seconds in took],
                    baseline="the aim",
                    theirs=(AIM * 1000,),
                    wanted=("at most", 1.0),
                )


def _press(port: int, rate: int) -> float:
    """Seconds; the flood has gone on for some seconds when the stop is pressed, so that every queue is full."""
    with (
        Client(port, "shop/fan/set") as eye,
        Client(port) as hand,
        Flood(port, "shop/gate/bench/state", "shut", rate=rate, seconds=_FLOODED) as flood,
    ):
        flood.begun()
        eye.drain(_FILLS)
        began = time.perf_counter()
        hand.say("shop/estop", "1")
        _, at = eye.next("shop/fan/set", _FLOODED)
        if not flood.goes_on:
            raise SystemExit("the off came only after the flood")
        hand.say("shop/estop", "0")
        return at - began
