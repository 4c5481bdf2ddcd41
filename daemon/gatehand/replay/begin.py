"""A shop at rest, known and connected, before a logger's first reading: what a daemon has after a quiet start.

The start is played through the rules against devices that find the gates shut and the collectors off; then the
sensors' silence counts from the first reading on.
"""

from msgspec.structs import replace

from gatehand.replay.devices import IdealDevices, switch_reports
from gatehand.replay.player import Player, at_rest
from gatehand_rules import Shop, State, initial, next_deadline
from gatehand_rules.events import BrokerConnected, Event, GateReport
from gatehand_rules.state import ToolUnknown
from gatehand_rules.words import Position

_LONGEST_MS = 24 * 3_600_000


class NeverAtRestError(Exception):
    """The shop's start does not come to rest with devices that never fail; the text says what still moves."""


def rested(shop: Shop, at_ms: int) -> State:
    """The state at `at_ms` of a shop that has been connected for as long as its start takes, and stands still.

    Raises:
        NeverAtRestError: It does not come to rest within a day.
    """
    took = _play_start(shop, 0)[1]
    state, _ = _play_start(shop, at_ms - took)
    tools = tuple(ToolUnknown(None, at_ms / 1000) for _ in shop.tools)
    state = replace(state, tools=tools, doubts=tuple(None for _ in tools))
    return replace(state, wake_at=next_deadline(shop, state))


def _play_start(shop: Shop, from_ms: int) -> tuple[State, int]:
    """The rested state, and the ms that the start took."""
    deaf = with_tools(shop, silent_after=0.0)
    player = Player(deaf, initial(deaf, from_ms / 1000), lambda _ms, _event, _outcome: None, devices=IdealDevices(shop))
    player.feed(BrokerConnected(), from_ms)
    for event in _found(shop):
        player.feed(event, from_ms)
    if not player.run_out(from_ms + _LONGEST_MS, resting=at_rest):
        raise NeverAtRestError("the shop does not come to rest within a day of its start, though no device fails")
    return player.state, player.now_ms - from_ms


def _found(shop: Shop) -> list[Event]:
    """What the devices say at the start: gates shut, but open where a hand moves them for a tool; collectors off."""
    served = {name for tool in shop.tools for name in tool.gates}
    said: list[Event] = []
    for gate in shop.gates:
        if gate.reports and not gate.commanded and gate.name in served:
            said.append(GateReport(gate.name, Position.OPEN))
        elif gate.reports:
            said.append(GateReport(gate.name, Position.SHUT, retained=True))
    for collector in shop.collectors:
        said.extend(switch_reports(collector, on=False, retained=True))
    return said


def with_tools(shop: Shop, **changes: float) -> Shop:
    """The shop with the same change made to every tool."""
    return replace(shop, tools=tuple(replace(tool, **changes) for tool in shop.tools))
