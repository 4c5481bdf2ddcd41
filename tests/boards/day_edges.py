"""What is at the edges of the boards' day: an outage, a sensor without Wi-Fi, a switch without power, a broken wire.

Each plays one and gives what became of the air, in milliseconds of the shop. What is right stands in
`test_boards_day.py`. Imported only once the clocks have been replaced.
"""

from collections.abc import Callable
from typing import TYPE_CHECKING, Any, Final

from gatehand_rules import Happened

if TYPE_CHECKING:
    from day_of_boards import Day
    from shop_of_boards import ShopOfBoards

LONG: Final = 30_000
SENSOR: Final = "tool-band_saw"
SWITCH: Final = "collector-main"
GIVES_UP_MS: Final = 4000
"""A broker that looks each second gives up one and a half keepalives (2 s) after the last word: 3 to 4 s."""
WITHOUT_WIFI_MS: Final = 10_000
BACK_MS: Final = 3000
"""The Wi-Fi is joined within a second [the stand-in's], the broker found within two."""
STOOD_MS: Final = 2000
"""A contrary word that has stood for so long counts as somebody's hand (DESIGN 3)."""
RESET: Final = "gatehand/collector/main/reset"


class Edges:
    """The band saw cuts, and something breaks."""

    def __init__(self, day: "Day", shop: "ShopOfBoards") -> None:
        self.day = day
        self.shop = shop

    async def cut(self) -> bool:
        """The band saw cuts, from a standstill, and has air."""
        await self.until(lambda: not self.shop.fan_on)
        await self.day.pass_by(2500)  # its coast-down
        self.saw(on=True)
        return await self.until(lambda: self.shop.fan_on) is not None

    def saw(self, *, on: bool) -> None:
        """Switch the band saw."""
        self.shop.act([("sim/band_saw/switch", str(int(on)))])

    async def end(self) -> bool:
        """The cut is done; whether the fan goes off."""
        self.saw(on=False)
        return await self.until(lambda: not self.shop.fan_on) is not None

    async def until(self, true: Callable[[], object], within: int = LONG) -> int | None:
        """How long it took; None: it never came."""
        begun = self.shop.now
        return self.shop.now - begun if await self.day.until(true, within) else None

    async def stays(self, milliseconds: int) -> bool:
        """Whether the fan stays as it is for so long."""
        was = self.shop.fan_on
        return await self.until(lambda: self.shop.fan_on != was, milliseconds) is None

    def alarms(self, since: int, event: Happened = Happened.ALARM_RAISED) -> list[str]:
        """What was raised (or cleared) from that line of the log on."""
        return sorted(str(line["alarm"]) for line in self.day.lines[since:] if line["event"] == event)


async def through_an_outage(at: Edges) -> dict[str, Any]:
    """The broker is killed for longer than the switch's limit."""
    came_on = await at.cut()
    await at.day.disconnect()
    at.day.broker.kill9()
    off_after = await at.until(lambda: not at.shop.fan_on)
    await at.day.pass_by(3000)
    at.day.broker.revive()
    await at.day.connect()
    again_after = await at.until(lambda: at.shop.fan_on)
    kept = await at.stays(3000)
    return {
        "came_on": came_on,
        "off_after": off_after,
        "on_again_after": again_after,
        "kept_on": kept,
        "ended": await at.end(),
    }


async def sensor_without_wifi(at: Edges) -> dict[str, Any]:
    """The sensor of the saw that cuts has no Wi-Fi for ten seconds; the broker notices by its keepalive."""
    came_on = await at.cut()
    board, wire, since = at.shop.boards[SENSOR], at.shop.wires[SENSOR], len(at.day.lines)
    lost = at.shop.now
    board.wifi(there=False)
    wire.cut(refuses=False)
    kept = await at.stays(GIVES_UP_MS)
    wire.give_up()
    off_after = await at.until(lambda: not at.shop.fan_on)
    raised = at.alarms(since)
    stayed_off = await at.stays(lost + WITHOUT_WIFI_MS - at.shop.now)
    wire.mend()
    board.wifi(there=True)
    again_after = await at.until(lambda: at.shop.fan_on)
    return {
        "came_on": came_on,
        "kept_on": kept,
        "off_after_its_will": off_after,
        "raised": raised,
        "stayed_off": stayed_off,
        "on_again_after": again_after,
        "cleared": at.alarms(since, Happened.ALARM_CLEARED),
        "ended": await at.end(),
    }


async def switch_without_power(at: Edges) -> dict[str, Any]:
    """The switch's board loses its power in the middle of a cut, and has it again after half a second.

    It is back within 3 s, so at 4 s of the cut at the latest, well before the refresh of 8 s. What the daemon makes of
    its "off" depends on when its motor's sensor speaks again: somebody's hand, once both have stood for 2 s; or, where
    5 s since the start are over before, a command without an answer, which is given once more.
    """
    came_on = await at.cut()
    await at.day.pass_by(500)
    since, board = len(at.day.lines), at.shop.boards[SWITCH]
    board.cut_power(off_ms=500)
    off_after = await at.until(lambda: not at.shop.fan_on)
    await at.until(lambda: board.runs)
    stayed_off = await at.stays(BACK_MS + STOOD_MS + 1000)
    raised = at.alarms(since)
    told_again = any(line["event"] == Happened.COLLECTOR_UNANSWERED for line in at.day.lines[since:])
    at.saw(on=False)
    await at.day.pass_by(2000)
    at.saw(on=True)
    fresh_start = await at.until(lambda: at.shop.fan_on) is not None
    return {
        "came_on": came_on,
        "off_after": off_after,
        "stayed_off": stayed_off,
        "raised": raised,
        "told_again": told_again,
        "fresh_start": fresh_start,
        "ended": await at.end(),
    }


async def stop_with_a_broken_wire(at: Edges) -> dict[str, Any]:
    """The wire of the stop contact breaks during a cut; somebody resets before it is mended, and after."""
    came_on = await at.cut()
    since = len(at.day.lines)
    at.shop.act([("sim/emergency/press", "1")])  # normally closed: a pressed button and a broken wire are one
    off_after = await at.until(lambda: not at.shop.fan_on)
    await at.day.publish(RESET, "1")
    held_while_broken = await at.stays(3000)
    too_early = [line["event"] for line in at.day.lines[since:]].count(Happened.HOLD_RESET)
    at.shop.act([("sim/emergency/press", "0")])
    held_once_mended = await at.stays(2500)
    await at.day.publish(RESET, "1")
    starts_nothing = await at.stays(2000)
    resets = [line["event"] for line in at.day.lines[since:]].count(Happened.HOLD_RESET)
    at.saw(on=False)
    await at.day.pass_by(2000)
    at.saw(on=True)
    fresh_start = await at.until(lambda: at.shop.fan_on) is not None
    return {
        "came_on": came_on,
        "off_after": off_after,
        "held_while_broken": held_while_broken,
        "reset_while_broken": too_early,
        "held_once_mended": held_once_mended,
        "resets": resets,
        "starts_nothing": starts_nothing,
        "fresh_start": fresh_start,
        "raised": at.alarms(since),
        "ended": await at.end(),
    }


async def edges(day: "Day", shop: "ShopOfBoards") -> dict[str, Any]:
    """All of them, one after another."""
    at = Edges(day, shop)
    return {
        "outage": await through_an_outage(at),
        "without_wifi": await sensor_without_wifi(at),
        "without_power": await switch_without_power(at),
        "broken_wire": await stop_with_a_broken_wire(at),
    }
