"""A shop with a suction sensor for a test's hand: its config, what it reads, and what is shown and raised of it."""

from typing import Any

from shell_support import SHOP, World, active_config_of

from gatehand.air.suction_expected import DuctSuction, duct_suction
from gatehand_rules.reshape import Rewired, adopt_shop

INLET = "shop/fan/inlet"
SENSOR = f'suction = {{ topic = "{INLET}", unit = "Pa" }}\n'
DUCTS = """
[fan.main]
curve = [[0, 11.0], [400, 10.4], [800, 8.1], [1200, 3.9]]
filter_loss = { clean = 1.0, dirty = 3.0, at = 800 }

[duct.main]
diameter = 6
length = 14

[duct.band_saw_drop]
into = "main"
diameter = 4
length = 8
fittings = ["elbow_90"]
gate = "band_saw"
hood = { entry = "plain" }

[duct.bench_drop]
into = "main"
diameter = 4
length = 6
gate = "bench"
hood = { entry = "plain" }
"""
PLAIN = SHOP.replace("coast_down = 2\n", f"coast_down = 2\n{SENSOR}")
WATCHED = PLAIN + DUCTS
SAW = ("band_saw",)


def should(text: str = WATCHED, *gates: str) -> DuctSuction:
    found = duct_suction(active_config_of(text).config, "main", gates or SAW)
    assert isinstance(found, DuctSuction)
    return found


def reads(world: World, pascals: float, seconds: int, *, topic: str = INLET) -> World:
    """The sensor says this once a second, for so long; the daemon's beats go on."""
    for _ in range(seconds):
        world.say(topic, f"{pascals:.2f}")
        world.say("shop/band_saw/amps", "5")
        world.run(1)
        world.engine.beat()
    return world


def alarm(world: World, what: str) -> Any:  # noqa: ANN401 - JSON
    return world.shown(f"alarm/collector.main.{what}")


def alarms(world: World) -> list[Any]:
    """What was raised about the suction."""
    return [line for line in world.events("alarm_raised") if "suction" in str(line["alarm"])]


def shown(world: World) -> Any:  # noqa: ANN401 - JSON
    return world.shown("collector/main")["suction"]


def over(world: World) -> list[Any]:
    """Why each alarm that is over has ended."""
    return [line.get("over_because") for line in world.events("alarm_cleared")]


def swapped(world: World, text: str) -> World:
    engine, active = world.engine, active_config_of(text)
    engine.swap(active, adopt_shop(engine.active.shop, active.shop, engine.state, engine.now(), Rewired()))
    world.run(0.1)
    return world


def quiet(world: World, seconds: int) -> None:
    """The saw cuts on, the suction sensor says nothing."""
    for _ in range(seconds):
        world.say("shop/band_saw/amps", "5")
        world.run(1)
        world.engine.beat()


def day(world: World, pascals: float) -> World:
    """Cuts, and what the sensor says of them; `SHOP` does not listen to it."""
    reads(world.cutting(), pascals, 40)
    world.say("shop/band_saw/amps", "0")
    world.run(12)
    world.say("shop/router/amps", "3")
    reads(world, pascals, 30)
    world.say("shop/router/amps", "0")
    world.run(30)
    return world
