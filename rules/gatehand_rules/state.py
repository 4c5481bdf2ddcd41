"""Everything the rules remember, as one frozen tree. It can be printed, compared, hashed, saved and replayed.

One class for each phase, holding that phase's word and data and no other. Times are monotonic seconds; a `since` is
when the phase began, so that a changed duration in the config takes effect at once. No behaviour here but small
questions that a state answers about itself.
"""

from enum import StrEnum
from math import inf
from typing import ClassVar, Literal, TypeAlias

from msgspec import field

from gatehand_rules.findings import Alarm
from gatehand_rules.shop import GateAt
from gatehand_rules.words import CollectorWord, GateWord, Position, Record, ToolWord


class Freshness(StrEnum):
    """What a tool's demand may do."""

    FRESH = "fresh"
    """Seen to go from idle to running: it may start the collector."""
    UNCONFIRMED = "unconfirmed"
    """Fresh, but from before a lost connection: it keeps, and starts again once a live reading confirms it."""
    STALE = "stale"
    """It keeps a collector that is on anyway, and starts nothing."""


class SubthresholdRise(Record, frozen=True, tag="Hump"):
    """A rise of the reading that has not become a start."""

    since: float
    peak: float
    above_since: float | None = None
    """Since when it has been at or above the start threshold."""
    longest: float = 0.0
    """The longest spell at or above the start threshold so far, seconds; -1: none."""


class LastHeard(Record, frozen=True):
    """A tool whose sensor speaks: its last live reading, in the unit of its measure, and when it came."""

    value: float | None = field(name="amps")
    heard_at: float


class ToolUnknown(LastHeard, frozen=True):
    """No live reading yet that tells idle from running."""

    word: ClassVar = ToolWord.UNKNOWN


class ToolIdle(LastHeard, frozen=True):
    """Below the start threshold, or above it for less than `start_after`."""

    word: ClassVar = ToolWord.IDLE
    rise: SubthresholdRise | None = field(default=None, name="hump")


class ToolRunning(LastHeard, frozen=True):
    """At or above the start threshold, not yet below the stop threshold for `stop_after`."""

    word: ClassVar = ToolWord.RUNNING
    since: float
    freshness: Freshness = field(name="standing")
    low_since: float | None = None


class ToolRunOn(LastHeard, frozen=True):
    """Stopped at `since`; its demand lasts for `run_on` more."""

    word: ClassVar = ToolWord.RUN_ON
    since: float
    freshness: Freshness = field(name="standing")
    rise: SubthresholdRise | None = field(default=None, name="hump")


class ToolMuted(LastHeard, frozen=True):
    """It draws and is not served until it has fallen below the stop threshold."""

    word: ClassVar = ToolWord.MUTED


ToolSpeaking: TypeAlias = ToolUnknown | ToolIdle | ToolRunning | ToolRunOn | ToolMuted


class ToolSilent(Record, frozen=True):
    """Its sensor says nothing since `since`; `was` is what was known last."""

    word: ClassVar = ToolWord.SILENT
    was: ToolSpeaking
    since: float
    let_go: bool = False
    """Its demand's run-on has passed."""

    @property
    def value(self) -> float | None:
        """The last live reading."""
        return self.was.value


ToolState: TypeAlias = ToolSpeaking | ToolSilent


def speaking(state: ToolState) -> ToolSpeaking:
    """What is known of the tool, or was last before its sensor fell silent."""
    return state.was if isinstance(state, ToolSilent) else state


class Doubt(Record, frozen=True):
    """A tool's sensor was silent: what it says may be from before, until it is confirmed."""

    low_at: float | None = None
    """The first live reading below its threshold since."""
    high_at: float | None = None
    """The first live reading at or above its threshold since the last one below."""


class GateUnknown(Record, frozen=True):
    """Position not known. `from_shut`: it left its shut position on its own."""

    word: ClassVar = GateWord.UNKNOWN
    from_shut: bool = False
    shutting: bool = False
    """Told shut last: what it says of being open may be from before."""
    unheard: bool = False
    """Nothing at all was heard of it, and nothing came when it was told to shut: it may have been shut already."""
    kept: float | None = None
    """Told open then, and only an old word says that it is: it may keep a fan that was found turning."""


class GateShut(Record, frozen=True):
    """Shut. `since`: when its command was given, -inf without one."""

    word: ClassVar = GateWord.SHUT
    since: float = -inf


class GateTravels(Record, frozen=True):
    """Told to go, and not known to be there. `since`: the last telling, `first`: the first, `tries`: those after it."""

    since: float
    first: float
    tries: int = 0


class GateOpening(GateTravels, frozen=True):
    """Told to open."""

    word: ClassVar = GateWord.OPENING
    said_shut: bool = False
    """An old word said that it was shut: it has to move, and speaks when it does."""


class GateOpen(Record, frozen=True):
    """Proven open. `since`: when its command was given, -inf without one."""

    word: ClassVar = GateWord.OPEN
    since: float = -inf


class GateShutting(GateTravels, frozen=True):
    """Told to shut. `then_open`: once, so that it speaks when it is opened again, if it is still wanted."""

    word: ClassVar = GateWord.SHUTTING
    then_open: bool = False
    unheard: bool = False
    """Nothing was heard of it yet: one that is shut already and speaks only on change has nothing to say."""


class GateFault(Record, frozen=True):
    """Told to go to `wanted` at `first`, and all retries passed without its report."""

    word: ClassVar = GateWord.FAULT
    wanted: Position
    first: float


GateMove: TypeAlias = GateUnknown | GateShut | GateOpening | GateOpen | GateShutting | GateFault


class Hand(Record, frozen=True):
    """A hand start. `by_opening`: it began when the gate was opened by hand, and ends when it is shut."""

    since: float
    by_opening: bool = False
    kept: bool = False
    """From before a lost connection: it keeps a collector that is on, and starts none."""


class GateState(Record, frozen=True, kw_only=True):
    """A gate, its hand start and its button."""

    move: GateMove = GateUnknown()
    reported: Position | None = None
    """Its last report that no later contrary command has made void."""
    live: bool = False
    """What it said last was heard live since the daemon's start: an old word proves nothing, and takes nothing away."""
    roused: bool = False
    """Shut once so that it speaks, and nothing live has been heard since."""
    says: str = ""
    """That report's word, where it is neither open nor shut."""
    hand: Hand | None = None
    pressed_at: float = -inf


class Off(Record, frozen=True):
    """The fan is off and stands still, as far as can be known."""

    word: ClassVar = CollectorWord.OFF


class Opening(Record, frozen=True):
    """Gates travel before a start. `adopting`: the fan turns already (a daemon's start)."""

    word: ClassVar = CollectorWord.OPENING
    since: float
    adopting: bool = False
    until: float | None = None
    """The gates are ready; another inrush on the circuit is waited for until then."""
    unheard: bool = False
    """The gates are ready; the stop contacts were waited for."""


class SpinUp(Record, frozen=True):
    """Switched on; the air is not yet at full flow."""

    word: ClassVar = CollectorWord.SPIN_UP
    since: float


class Running(Record, frozen=True):
    """A tool cuts or a hand start lasts."""

    word: ClassVar = CollectorWord.RUNNING


class RunOn(Record, frozen=True):
    """On for run-on, or kept on; `why` is the rule's word."""

    word: ClassVar = CollectorWord.RUN_ON
    why: str


class CoastDown(Record, frozen=True):
    """Switched off; the fan may still turn. `tripped`: no start until it stands still."""

    word: ClassVar = CollectorWord.COAST_DOWN
    tripped: bool = False


class Held(Record, frozen=True):
    """Kept off until a reset. `why`: a stop contact's name or a reason in a word. `by`: who asked for it last."""

    word: ClassVar = CollectorWord.HELD
    why: str
    by: str = ""


Phase: TypeAlias = Off | Opening | SpinUp | Running | RunOn | CoastDown | Held


class Answer(Record, frozen=True):
    """A command to the collector's switch that its reports must show."""

    on: bool
    since: float
    tries: int = 0
    stood: bool = False
    """Switched off, it was seen to stand since; what is seen to turn after that is news."""


class ResetSeen(Record, frozen=True):
    """What was heard of a collector's reset, by button and by message, and what was refused of it."""

    released: bool = False
    """Its button was heard released, live, since the cause of the hold is gone."""
    pressed_at: float | None = None
    """Pressed then, after that release."""
    asked_at: float = -inf
    """When the last message came; also when a connection began, for what came before it was not heard."""
    refused: tuple[str, ...] = ()
    """What was said of refusals since the cause last changed: each is said once."""
    refused_at: float = -inf
    more: int = 0
    """Refusals of which nothing was said."""


class Contrary(Record, frozen=True):
    """What is seen of a fan contradicts what was told. One word proves nothing; one that has stood for a while does."""

    since: float
    shows: Literal["on", "off", "no_current"]
    """Switched on, or off, by somebody; or a switch that says on with a motor that no longer draws."""


class MotorHeard(Record, frozen=True):
    """What the sensor at a motor said last, for whoever is told of it. `live`: not kept by the broker."""

    value: float
    heard_at: float
    live: bool


class CollectorState(Record, frozen=True, kw_only=True):
    """A collector: its phase, what is seen of its fan, and its budget of starts."""

    phase: Phase = Off()
    still_at: float = inf
    """When the fan surely stands still: inf while it may turn without end, -inf once it stands."""
    reported_on: bool | None = None
    report_live: bool = False
    drawing: bool | None = None
    reported_at: float = -inf
    """When the switch said so."""
    motor: MotorHeard | None = None
    """By which `drawing` is what it is."""
    told_at: float = -inf
    """Last switched on or off, tellings of the same left out: what was heard before cannot show it."""
    answer: Answer | None = None
    confirmed: bool = False
    """The switch has answered "on" since the last start."""
    told_on_at: float | None = None
    """Last "on", for the refresh; None: not ours to refresh."""
    by_hand: bool = False
    """Somebody switched it on at its own switch."""
    found_on: bool = False
    """It turned at the daemon's start, was not switched on since, nor seen to stand after it was switched off."""
    contrary: Contrary | None = None
    grace_until: float = -inf
    """After adoption: kept on until then, so that its tools can be heard."""
    starts: tuple[float, ...] = ()
    started_at: float = -inf
    """Last start: its circuit's stagger counts from it, and a broker lost since then may not have passed it on."""
    last_gate: GateAt | None = None
    bin_full: bool = False
    reset: ResetSeen = ResetSeen()

    @property
    def seen_on(self) -> bool:
        """The switch's report or the motor's sensor says that the fan turns."""
        return self.reported_on is True or self.drawing is True

    @property
    def on_phase(self) -> bool:
        """Switched on, by its phase."""
        return isinstance(self.phase, (SpinUp, Running, RunOn))


class GateSeen(Record, frozen=True):
    """The interlock's own record of a gate."""

    told: Position | None = None
    told_at: float = -inf
    """The first telling of where it was told to go."""
    again_at: float = -inf
    """The last telling of the same."""
    travelled: bool = False
    """Told open, and its travel was over by the `travel` of that time: a longer one takes no proof away."""
    reported: Position | None = None
    heard: bool = False
    """It said so live, now or before it was told: a word of unknown age never is proof."""
    live: bool = False
    """It said so live since it was told."""
    left: bool = False
    """Told shut and not seen shut since: what it says of being open may be from before."""
    gives_way_to: str | None = None
    """The gate told open in its stead."""


class FanSeen(Record, frozen=True):
    """The interlock's own record of a collector."""

    told_on: bool | None = None
    off_at: float = -inf
    """Switched off, or last seen on; inf: switched off, and perhaps not heard."""
    off_told: bool = False
    """Switched off since it was last seen to stand still."""
    reported_on: bool | None = None
    drawing: bool | None = None
    latched: bool = False
    armed: bool = False
    adopting: bool = False
    reset_up: bool = False
    """Its reset button was heard released, live, since every stop is clear and nobody asked to hold."""
    reset_down_at: float | None = None
    """Pressed then, after that release."""
    reset_asked_at: float = -inf
    """The last message that asked for a reset, or the beginning of the connection."""


class Guard(Record, frozen=True):
    """The interlock's memory. Nobody else reads or writes it."""

    gates: tuple[GateSeen, ...]
    fans: tuple[FanSeen, ...]
    low: tuple[bool, ...]
    """Each tool: its last telling reading was below its stop threshold."""
    stops: tuple[bool, ...]
    watching_from: float = inf
    """Connected, and what the broker retains is in: from then on a fan without air is acted upon."""
    over: bool = False
    """The daemon stops."""
    no_start_before: float = -inf
    """A stop contact that is new may not have spoken before then."""
    unheard: bool = False
    """The stop contacts are not heard."""
    old: bool = False
    """What comes waited through a standstill of the daemon."""


class State(Record, frozen=True):
    """The whole. Tuples are in the order of the shop's."""

    tools: tuple[ToolState, ...]
    gates: tuple[GateState, ...]
    collectors: tuple[CollectorState, ...]
    stops: tuple[bool, ...]
    guard: Guard
    alarms: frozenset[Alarm] = frozenset()
    connected: bool = False
    settle_at: float | None = None
    """Retained messages are awaited until then; None: settled."""
    adopted: bool = False
    """The daemon's start is over: devices found were adopted or switched off."""
    stopping: bool = False
    wake_at: float | None = None
    """The next instant at which silence alone changes the answer; may be early, never late."""
    no_start_before: float = -inf
    """Until then a stop contact that is new may say what is retained, and nothing starts; -inf once it is past."""
    stops_lost_at: float | None = None
    """Since when the stop contacts have not been heard; None: they are."""
    stood_for: float | None = None
    """How long the daemon stood still, while what waited meanwhile is still coming; None: what comes is new."""
    doubts: tuple[Doubt | None, ...] = ()
    """Of each tool, while its start wants confirming after a silence; empty in recordings of before: no doubts."""

    @property
    def standstill(self) -> bool:
        """What comes now is from before a standstill of the daemon: it may stop things, and starts and proves none."""
        return self.stood_for is not None


def tool_word(state: ToolState) -> ToolWord:
    """The tool's state in the contract's word."""
    return state.word


def gate_word(state: GateState) -> GateWord:
    """The gate's state in the contract's word."""
    return state.move.word


def collector_word(state: CollectorState) -> CollectorWord:
    """The collector's state in the contract's word."""
    return state.phase.word
