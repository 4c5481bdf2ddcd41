"""Plays a logger's readings through detection and rules, with devices that never fail: the whole way, for one file."""

from collections.abc import Callable
from pathlib import Path
from typing import TypeAlias

from gatehand.journal.line import LogLine, facts_of
from gatehand.measures import measures_of
from gatehand.past.account import is_refresh
from gatehand.past.csv_readings import OnProgress, read_csv
from gatehand.past.deadband import whole_ms
from gatehand.past.player import Player, at_rest, rested, with_tools
from gatehand.past.replay_devices import IdealDevices
from gatehand.past.stretches import Stretch
from gatehand_rules import Finding, Outcome, Shop
from gatehand_rules.events import Event
from gatehand_rules.state import ToolRunning

FindingSink: TypeAlias = Callable[[int, Finding], None]
"""Called with ms from the file's zero."""

_HOUR_MS = 3_600_000


def play_csv(path: Path, shop: Shop, sink: FindingSink, progress: OnProgress = lambda _readings: None) -> list[str]:
    """Play a file from its first reading until after its last all is at rest, but for the tools that are returned.

    These draw at the end, and their sensors, which speak only on change, leave it at that.

    Raises:
        CsvError: The file cannot be played.
        NeverAtRestError: The shop does not come to rest even before the first reading.
    """
    return play(read_csv(path, measures_of(shop.tools), progress), shop, sink)


def play(stretch: Stretch, shop: Shop, sink: FindingSink) -> list[str]:
    """Play readings that begin with a shop at rest; the tools that draw at the end.

    A tool without a reading is left out: idle, and never silent.
    """
    first, last = stretch.first_ms, stretch.last_ms
    if first is None or last is None:
        return []
    unheard = [tool.name for tool in shop.tools if tool.name not in stretch.tracks]
    shop = with_tools(shop, unheard, silent_after=0.0)

    def hear(ms: int, _event: Event, outcome: Outcome) -> None:
        for finding in outcome.findings:
            if not is_refresh(finding.event, finding.rule):
                sink(ms - stretch.zero_ms, finding)

    player = Player(shop, rested(shop, first), hear, devices=IdealDevices(shop))
    player.play(stretch)
    player.run_out(last + longest_end_ms(shop), resting=at_rest)
    ended = zip(shop.tools, player.state.tools, strict=True)
    return [tool.name for tool, state in ended if tool.silent_after <= 0 and isinstance(state, ToolRunning)]


def as_line(ms: int, finding: Finding) -> LogLine:
    """A finding as one JSON object: `t_s` from the file's zero, then the log's names."""
    return {"t_s": ms / 1000, **facts_of(finding)}


def longest_end_ms(shop: Shop) -> int:
    """Longer than a shop with ideal devices needs to come to rest once nothing is heard any more."""
    tools = max((sum((t.silent_after, t.start_after, t.stop_after, t.run_on)) for t in shop.tools), default=0.0)
    gates = max((gate.travel * (gate.retries + 1) for gate in shop.gates), default=0.0)
    fans = max((fan.spin_up + fan.coast_down for fan in shop.collectors), default=0.0)
    kept_on = any(fan.starts_per_hour is not None for fan in shop.collectors)
    return whole_ms(tools + 4 * gates + fans) + (_HOUR_MS if kept_on else 0) + 10_000
