"""Which setting would have started it: what was recorded around a moment, replayed with others.

Gates and collectors are tried on everything that was recorded; the start threshold and `start_after` on the tool's own
readings through the rules' detection, with how many more starts each would have made elsewhere.
"""

from array import array
from bisect import bisect_left
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from msgspec.structs import replace

from gatehand.journal.sentences import spoken
from gatehand.measures import measured
from gatehand.past.account import is_refresh
from gatehand.past.player import RECORDED, ChangedPlayer, Player, rested
from gatehand.past.recordings import offset_ms, opened, readings_of, recorded_shop
from gatehand.past.replay_devices import TimedCommands
from gatehand.past.stretches import Stretch, Track, stretches
from gatehand.recording.format import RecordingError
from gatehand.recording.recording import recordings
from gatehand.text import named
from gatehand.times import from_ms, lasting
from gatehand.why.advice import Way
from gatehand.why.moment import Question, StartAttempt
from gatehand.why.verdicts import Trial, Verdict
from gatehand_rules import Collector, Gate, Happened, Outcome, Position, Shop, State, Tool
from gatehand_rules.commands import CollectorOn
from gatehand_rules.events import Event, GateReport
from gatehand_rules.words import Measure

_LONGEST_TENTHS: Final = 600
"""Of a second: the longest `travel` that is tried."""
BEFORE_MS: Final = 60_000
"""Recorded time before the moment that is replayed with it."""
_EARLIEST_MS: Final = 100_000_000
ELSEWHERE_MS: Final = 48 * 3_600_000
"""Recorded time before the moment in which a change's further starts are counted."""
AROUND_MS: Final = 90_000
"""Readings before and after a rise that are replayed with it."""


@dataclass(frozen=True, slots=True)
class Around:
    """The recording from one moment to another."""

    shop: Shop
    """As it was in force."""
    state: State
    """Before it, at `start_ms`."""
    start_ms: int
    offset: int
    """To be added to its rule ms for the wall's."""
    pieces: list[tuple[Stretch, TimedCommands]]
    """What came in, and what was commanded upon it."""

    def starts(self, changed: Shop, collector: str, window: tuple[int, int]) -> bool:
        """Whether, with this shop, the collector would have been commanded on within the window (wall ms)."""
        return any(
            CollectorOn(collector) in outcome.commands
            and not any(is_refresh(one.event, one.rule) for one in outcome.findings)
            for outcome in self._outcomes(changed, window)
        )

    def refused(self, changed: Shop, tool: str, window: tuple[int, int]) -> bool:
        """Whether, with this shop, the tool would have been refused within the window (wall ms)."""
        findings = (one for outcome in self._outcomes(changed, window) for one in outcome.findings)
        return any(one.event is Happened.START_REFUSED and one.tool == tool for one in findings)

    def _outcomes(self, changed: Shop, window: tuple[int, int]) -> list[Outcome]:
        found: list[Outcome] = []

        def hear(ms: int, _event: Event, outcome: Outcome) -> None:
            if window[0] <= ms + self.offset <= window[1]:
                found.append(outcome)

        player = ChangedPlayer(self.shop, changed, self.state, self.start_ms, hear)
        for piece, commands in self.pieces:
            player.follow(piece, commands)
        return found

    def reported(self, gate: str, position: Position, after_ms: int) -> int | None:
        """When (wall ms) the gate first reported to be there after a moment."""
        for one in (one for piece, _ in self.pieces for one in piece.others):
            ms, report = one.ms + self.offset, one.event
            if isinstance(report, GateReport) and (report.gate, report.position) == (gate, position) and ms >= after_ms:
                return ms
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
    header = run[0].header
    offset = offset_ms(run[0])
    first = max(moment_ms - BEFORE_MS - offset, header.mono_ms)
    try:
        player = Player(recorded_shop(header.config, run[0].path), header.state, patience_ms=RECORDED)
    except RecordingError:
        return None
    pieces: list[Stretch] = []
    for recording in run:
        for stretch in stretches(recording):
            player.play(stretch.part(None, first))
            part = stretch.part(first, end_ms - offset)
            pieces += [part] if part.last_ms is not None else []
    state = player.state
    return Around(player.shop, state, first, offset, [(one, player.play(one)) for one in pieces]) if pieces else None


def with_gate(shop: Shop, name: str, **changes: float) -> Shop:
    """The shop with one gate changed."""
    gates = tuple(replace(gate, **changes) if gate.name == name else gate for gate in shop.gates)
    return replace(shop, gates=gates)


def with_collector(shop: Shop, name: str, **changes: float | str) -> Shop:
    """The shop with one collector changed."""
    fans = tuple(replace(fan, **changes) if fan.name == name else fan for fan in shop.collectors)
    return replace(shop, collectors=fans)


def gate_trials(
    context: Question, here: Around, name: str, whom: tuple[str, str], window: tuple[int, int], *, found: Verdict
) -> None:
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
        _shorter(context, one, served, found)
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
    rest = f" in [gate.{name}] would have started it without a refusal; it is the shortest that would"
    found.tried(context, ("gate", name), Trial("travel", tenths / 10, Way.LEAST, rest))


def _shorter(context: Question, one: Gate, served: Callable[[int], bool], found: Verdict) -> None:
    """A gate that cannot report counts as open once its travel has passed: a shorter one would have been in time."""
    first_late = _least(0, int(one.travel * 10), lambda tenths: not served(tenths))
    if not first_late:
        return
    enough = (first_late - 1) / 10
    found.trials.append(
        f"gate {spoken(one.name)} cannot report and counts as open after its travel of {lasting(one.travel)}"
    )
    rest = (
        f" in [gate.{one.name}] would have started it, if the gate is really open by then; measure it with gatehand "
        "exercise"
    )
    found.tried(context, ("gate", one.name), Trial("travel", enough, Way.MOST, rest))


def _least(low: int, high: int, works: Callable[[int], bool]) -> int | None:
    """The least number that works, where all above one that works do too; None when `high` does not."""
    return low + bisect_left(range(low, high), True, key=works) if low <= high and works(high) else None


def starts(tool: Tool, readings: Track) -> list[int]:
    """When (wall ms) the rules would have taken the tool for running, with these settings."""
    shift = readings.ms[0] - _EARLIEST_MS
    track = Track(array("q", (ms - shift for ms in readings.ms)), readings.ma, readings.order)
    # Detection knows nothing of run-on and collector: without them there is less to step through.
    alone = replace(tool, gates=(), assist=(), collector="main", run_on=0.0)
    fan = Collector(name="main", min_open=0, refresh=0.0, spin_up=0.0, coast_down=0.0)
    shop = Shop(tools=(alone,), collectors=(fan,))
    found: list[int] = []

    def sink(ms: int, _event: Event, outcome: Outcome) -> None:
        found.extend(ms + shift for finding in outcome.findings if finding.event is Happened.TOOL_STARTED)

    Player(shop, rested(shop, track.ms[0]), sink).play(Stretch(tracks={alone.name: track}))
    return found


def highest_start(tool: Tool, piece: Track, window: tuple[int, int]) -> float | None:
    """The highest start threshold with which the tool starts within the window; None when none does, or it has none.

    A lower threshold never loses a start, so the readings' own values are searched by halves.
    """
    if tool.measure is Measure.RUNNING:
        return None
    values = sorted({value for value in piece.between(*window).ma if 0 < value < round(tool.start_at * 1000)})
    return _highest([one / 1000 for one in values], lambda value: _starts_in(with_start(tool, value), piece, window))


def with_start(tool: Tool, value: float) -> Tool:
    """The tool with another start threshold; the stop threshold gives way where it would lie above."""
    return replace(tool, start_at=value, stop_at=min(tool.stop_at, value))


def longest_start_after(tool: Tool, piece: Track, window: tuple[int, int]) -> float | None:
    """The longest `start_after`, in hundredths of a second, with which the tool starts within the window."""
    choices = [hundredths / 100 for hundredths in range(int(tool.start_after * 100))]
    return _highest(choices, lambda value: _starts_in(replace(tool, start_after=value), piece, window))


def _recorded_ms(folder: Path, span: tuple[int, int]) -> int:
    """How much of a time is recorded, whatever a sensor said in it. A file that is still open reaches to the moment."""
    low, high = span
    listed = (one for one in recordings(folder, from_ms(low), from_ms(high)) if not one.trouble)
    ends = ((one.wall_ms, high - AROUND_MS if one.until_ms is None else min(one.until_ms, high)) for one in listed)
    return sum(max(0, end - max(start, low)) for start, end in ends)


def _at_rest_before(whole: Track, window: tuple[int, int]) -> Track:
    """The readings around the window. What came before it showed the tool at rest, though perhaps hours ago or kept."""
    low = bisect_left(whole.ms, window[0] - AROUND_MS)
    piece = whole.part(low, bisect_left(whole.ms, window[1] + AROUND_MS))
    if piece.ms[0] >= window[0]:
        at_rest = Track(array("q", (window[0] - 1000,)), array("i", (0,)), array("q", (piece.order[0] - 1,)))
        for column, rest in ((piece.ms, at_rest.ms), (piece.ma, at_rest.ma), (piece.order, at_rest.order)):
            column[:0] = rest
        piece.young[:0] = array("b", (0,) if piece.young else ())
    return piece


def _starts_in(tool: Tool, piece: Track, window: tuple[int, int]) -> bool:
    return any(window[0] <= ms <= window[1] for ms in starts(tool, piece))


def _highest(choices: Sequence[float], works: Callable[[float], bool]) -> float | None:
    """The highest choice that works, where all below one that works do too."""
    count = bisect_left(choices, True, key=lambda value: not works(value))
    return choices[count - 1] if count else None


def extra_starts(before: Tool, after: Tool, pieces: Sequence[Track], but: tuple[int, int]) -> int:
    """Starts that a change adds elsewhere, outside the window of the cut in question."""

    def count(tool: Tool) -> int:
        return sum(1 for piece in pieces for ms in starts(tool, piece) if not but[0] <= ms <= but[1])

    return count(after) - count(before)


def catch_the_cut(context: Question, attempt: StartAttempt, found: Verdict) -> None:
    """The highest start threshold, and the longest `start_after`, that would have caught it."""
    tool = context.tool_then
    window = (attempt.start_ms, attempt.end_ms)
    until_ms = max(context.at_ms, window[1]) + AROUND_MS
    span = min(context.at_ms, window[0]) - ELSEWHERE_MS, until_ms
    before = [] if tool is None else readings_of(context.folder, tool.name, tool.measure, *span)
    whole = next((one for one in before if len(one.between(*window))), None)
    if tool is None or whole is None:
        found.trials.append("its readings of that time are no longer recorded: no other setting can be tried on them")
        return
    piece = _at_rest_before(whole, window)
    minutes = max(1, round(_recorded_ms(context.folder, span) / 60_000))
    elsewhere = f"Elsewhere, in the {lasting(minutes * 60.0)} recorded around it"
    tried: list[tuple[str, float, Tool, str]] = []
    value = highest_start(tool, piece, window)
    if value is not None:
        changed = with_start(tool, value)
        key, stop_key = (next(iter(fact)) for fact in (changed.start_fact(), changed.stop_fact()))
        lower = (
            f" (and {stop_key} at {measured(tool.measure, value)} or lower)" if changed.stop_at < tool.stop_at else ""
        )
        tried.append((key, value, changed, f"{lower}; it is the highest that would"))
    delay = longest_start_after(tool, piece, window) if tool.start_after > 0 else None
    if delay is not None:
        tried.append(("start_after", delay, replace(tool, start_after=delay), "; it is the longest that would"))
    for key, setting, changed, most in tried:
        extra = found.extra_starts[key] = extra_starts(tool, changed, before, window)
        cost = f"{named(extra, 'further start')}, wanted or not" if extra > 0 else "no further start"
        rest = f" would have started it{most}. {elsewhere}, it would have made {cost}"
        found.tried(context, ("tool", tool.name), Trial(key, setting, Way.MOST, rest))
    if not tried:
        keys = (*tool.start_fact(), "start_after")
        found.trials.append(f"{' and '.join(f'no {key}' for key in keys)} would have started it")
    elif found.case == "under_threshold":
        found.next_step = f"gatehand tune {context.name} weighs the threshold against all that was recorded."
