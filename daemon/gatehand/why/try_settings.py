"""Everything that was recorded around a moment, replayed through changed shops: which setting would have started it."""

from bisect import bisect_left
from collections.abc import Callable
from pathlib import Path
from typing import Final

from msgspec.structs import replace

from gatehand.journal.sentences import spoken
from gatehand.past.account import is_refresh
from gatehand.past.player import RECORDED, Player
from gatehand.past.recordings import offset_ms, opened, recorded_shop
from gatehand.past.replay_devices import RecordedDevices
from gatehand.past.stretches import Stretch, stretches
from gatehand.recording.format import RecordingError
from gatehand.recording.recording import recordings
from gatehand.times import from_ms, lasting
from gatehand.why.moment import Verdict
from gatehand_rules import Outcome, Shop, State
from gatehand_rules.commands import CollectorOn, Command
from gatehand_rules.events import Event, GateReport
from gatehand_rules.findings import Happened
from gatehand_rules.reshape import adopt_shop
from gatehand_rules.shop import Gate
from gatehand_rules.words import Position

_LONGEST_TENTHS: Final = 600
"""Of a second: the longest `travel` that is tried."""
BEFORE_MS: Final = 60_000
"""Recorded time before the moment that is replayed with it."""


class Around:
    """The recording from one moment to another, the state before it, and the commands that were given in it."""

    def __init__(self, shop: Shop, state: State, start_ms: int, offset: int, pieces: list[Stretch]) -> None:
        self.shop = shop
        """As it was in force."""
        self._state = state
        self._start_ms = start_ms
        self._offset = offset
        self._pieces = pieces
        self._commands: list[list[tuple[int, Command]]] = []
        player = Player(shop, state, self._keep, patience_ms=RECORDED)
        for piece in pieces:
            self._commands.append([])
            player.play(piece)

    def _keep(self, ms: int, _event: Event, outcome: Outcome) -> None:
        self._commands[-1] += [(ms, command) for command in outcome.commands]

    def starts(self, changed: Shop, collector: str, window: tuple[int, int]) -> bool:
        """Whether, with this shop, the collector would have been commanded on within the window (wall ms)."""

        def starts_it(outcome: Outcome) -> bool:
            on = any(isinstance(one, CollectorOn) and one.collector == collector for one in outcome.commands)
            return on and not any(is_refresh(one.event, one.rule) for one in outcome.findings)

        return self._happens(changed, starts_it, window)

    def refused(self, changed: Shop, tool: str, window: tuple[int, int]) -> bool:
        """Whether, with this shop, the tool would have been refused within the window (wall ms)."""

        def refuses_it(outcome: Outcome) -> bool:
            return any(one.event is Happened.START_REFUSED and one.tool == tool for one in outcome.findings)

        return self._happens(changed, refuses_it, window)

    def _happens(self, changed: Shop, wanted: Callable[[Outcome], bool], window: tuple[int, int]) -> bool:
        times: list[int] = []

        def hear(ms: int, _event: Event, outcome: Outcome) -> None:
            if wanted(outcome):
                times.append(ms + self._offset)

        devices = RecordedDevices(self.shop, changed, self._state)
        state = adopt_shop(self.shop, changed, self._state, self._start_ms / 1000).state
        player = Player(changed, state, hear, devices=devices)
        for piece, commands in zip(self._pieces, self._commands, strict=True):
            devices.follow(commands)
            player.play(piece)
        return any(window[0] <= ms <= window[1] for ms in times)

    def reported(self, gate: str, position: Position, after_ms: int) -> int | None:
        """When (wall ms) the gate first reported to be there after a moment."""
        for piece in self._pieces:
            for one in piece.others:
                ms = one.ms + self._offset
                match one.event:
                    case GateReport(gate=name, position=where) if (name, where) == (gate, position) and ms >= after_ms:
                        return ms
                    case _:
                        pass
        return None


def around(folder: Path, moment_ms: int, end_ms: int) -> Around | None:
    """What was recorded from a minute before a moment to the end; None where nothing was.

    Within one run of the daemon, the one that saw the moment: one run has one monotonic clock.
    """
    start, end = (from_ms(ms) for ms in (moment_ms - BEFORE_MS, end_ms))
    there = list(opened(recordings(folder, start, end)))
    seeing = [one for one in there if one.header.wall_ms <= moment_ms]
    if not seeing:
        return None
    run = [one for one in there if one.header.run == seeing[-1].header.run]
    head = run[0].header
    offset = offset_ms(run[0])
    first = max(moment_ms - BEFORE_MS - offset, head.mono_ms)
    try:
        shop, state = recorded_shop(head.config, run[0].path), head.state
    except RecordingError:
        return None
    lead = Player(shop, state, patience_ms=RECORDED)
    pieces: list[Stretch] = []
    for recording in run:
        for stretch in stretches(recording):
            lead.play(stretch.part(None, first))
            part = stretch.part(first, end_ms - offset)
            pieces += [part] if part.last_ms is not None else []
    return Around(shop, lead.state, first, offset, pieces) if pieces else None


def with_gate(shop: Shop, name: str, **changes: float) -> Shop:
    """The shop with one gate changed."""
    gates = tuple(replace(gate, **changes) if gate.name == name else gate for gate in shop.gates)
    return replace(shop, gates=gates)


def with_collector(shop: Shop, name: str, **changes: float | str) -> Shop:
    """The shop with one collector changed."""
    fans = tuple(replace(fan, **changes) if fan.name == name else fan for fan in shop.collectors)
    return replace(shop, collectors=fans)


def gate_trials(here: Around, name: str, whom: tuple[str, str], window: tuple[int, int], found: Verdict) -> None:
    """When the gate did report, and which `travel` would have started the collector without a refusal.

    `whom`: the tool (empty: any) and its collector; `window`: from the telling to when it would have been too late.
    """
    at = here.shop.gate_at(name)
    if at is None:
        return
    one = here.shop.gates[at]

    def served(tenths: int) -> bool:
        changed = with_gate(here.shop, name, travel=tenths / 10)
        return here.starts(changed, whom[1], window) and not (whom[0] and here.refused(changed, whom[0], window))

    if not one.reports:
        _shorter(one, served, found)
        return
    reported = here.reported(name, Position.OPEN, window[0])
    if reported is None:
        found.trials.append(
            f"gate {spoken(name)} did not report open in the time looked at: no travel would have helped"
        )
        return
    took = (reported - window[0]) / 1000
    late = took - one.travel
    found.case = "gate_late"
    after = f", {lasting(late)} after its travel of {lasting(one.travel)} ran out" if late > 0 else ""
    found.trials.append(f"gate {spoken(name)} reported open {lasting(took)} after it was told{after}")
    tenths = _least(int(one.travel * 10) + 1, _LONGEST_TENTHS, served)
    if tenths is None:
        found.trials.append("no longer travel would have started it: the work was over by then")
        return
    found.would_have_started["travel"] = tenths / 10
    found.trials.append(
        f"travel = {tenths / 10:g} in [gate.{name}] would have started it without a refusal; it is the shortest that "
        "would"
    )


def _shorter(one: Gate, served: Callable[[int], bool], found: Verdict) -> None:
    """A gate that cannot report counts as open once its travel has passed: a shorter one would have been in time."""
    first_late = _least(0, int(one.travel * 10), lambda tenths: not served(tenths))
    if not first_late:
        return
    enough = (first_late - 1) / 10
    found.would_have_started["travel"] = enough
    found.trials.append(
        f"gate {spoken(one.name)} cannot report and counts as open after its travel of {lasting(one.travel)}: travel = "
        f"{enough:g} in [gate.{one.name}] would have started it, if the gate is really open by then; measure it with "
        "gatehand exercise"
    )


def _least(low: int, high: int, works: Callable[[int], bool]) -> int | None:
    """The least number that works, where all above one that works do too; None when `high` does not."""
    return low + bisect_left(range(low, high), True, key=works) if low <= high and works(high) else None
