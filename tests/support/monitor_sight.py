"""What the monitor takes in and what it knows by it: which gates are proven open, what may turn, what is wanted.

Like the monitor it shares no line with the rules.
"""

from math import inf

from gatehand.config import Config
from support.monitor_fresh import EARLY, hear_reading
from support.monitor_notes import FanNotes, GateNotes, Promise, ResetNotes, ToolNotes
from support.signal_words import Signal, signals

SETTLING = 0.5
"""Seconds after a connection in which what the broker retains still comes in."""
AT_ONCE = 0.6
"""What "at once" may take: the log's bound, and a sign of life from a broker that has been quiet."""
SLACK = 0.3
MAX_AGE = 5.0
"""Seconds that a reading may be old where the config says nothing else."""
BY_HAND = 2.0
"""Seconds for which a contrary word of a switch stands before it counts as somebody's hand."""


class Sight:
    """The shop as it can be known from the daemon's chair."""

    def __init__(self, config: Config) -> None:
        self.resets: dict[str, ResetNotes] = {}
        """By command topic of the collector."""
        self._now = 0.0
        self._lay_out(config)
        self.blank(0.0)

    def _lay_out(self, config: Config) -> None:
        """What the config says of who is where."""
        self._config = config
        self._signals = signals(config)
        self._homes = {name: gate.collector or next(iter(config.collector)) for name, gate in config.gate.items()}
        self._own = {fan: [g for g, home in self._homes.items() if home == fan] for fan in config.collector}
        self._tools = {
            fan: [n for n, t in config.tool.items() if (t.collector or self._homes.get((*t.gates, "")[0])) == fan]
            for fan in config.collector
        }
        self.commands = {
            **{
                fan.command.topic: (name, {fan.command.on: "on", fan.command.off: "off"})
                for name, fan in config.collector.items()
            },
            **{
                gate.command.topic: (name, {gate.command.open: "open", gate.command.shut: "shut"})
                for name, gate in config.gate.items()
                if gate.command is not None
            },
        }
        """By topic: whose it is, and the words of its payloads."""

    def blank(self, now: float) -> None:
        """Nothing has been seen."""
        self._now = now
        self.gates = {name: GateNotes() for name in self._config.gate}
        self.fans = {name: FanNotes() for name in self._config.collector}
        self.tools = {name: ToolNotes() for name in self._config.tool}
        self._stops: dict[str, bool] = dict.fromkeys(self._config.stop, False)
        self._promises: list[Promise] = []
        self.connected_at = inf
        self.unheard_since = inf
        """Since when nobody has known whether a stop contact is active."""
        self.standstill = False
        """What comes now had waited through a standstill of the daemon."""

    def rearrange(self, config: Config) -> None:
        """The config is another one: what is known of a device stays with the topic that it is known by."""
        devices = _devices(self._config)
        gates, fans, tools, stops = self.gates, self.fans, self.tools, self._stops
        self._lay_out(config)
        was = {kind: {topic: name for name, topic in known.items()} for kind, known in devices.items()}
        now = {
            kind: {name: was[kind].get(topic) for name, topic in known.items()}
            for kind, known in _devices(config).items()
        }
        self.gates = {name: gates[old] if old is not None else GateNotes() for name, old in now["gate"].items()}
        self.fans = {
            name: fans[old] if old is not None else FanNotes(since=self._now) for name, old in now["fan"].items()
        }
        self.tools = {name: tools[old] if old is not None else ToolNotes() for name, old in now["tool"].items()}
        self._stops = {name: old is not None and stops[old] for name, old in now["stop"].items()}
        self._promises = []
        for name, seen in self.tools.items():
            # Where the last reading has come below the threshold by it, a start counts as fresh from here.
            seen.low = seen.low or (seen.value is not None and seen.value < config.tool[name].stop_at)
        for name, active in self._stops.items():
            for fan in (config.stop[name].collectors or config.collector) if active else ():
                self._latch(fan)

    # What is known

    def proven(self, name: str) -> bool:
        """Proven open (I1)."""
        gate, seen = self._config.gate[name], self.gates[name]
        if gate.state is None:
            by_time = self._now >= seen.told_at + gate.travel - EARLY
            return seen.told == "open" and (by_time or seen.proven_once)
        return seen.said == "open" and not seen.void and seen.live

    def surely_proven(self, name: str) -> bool:
        """The same without the benefit of the doubt, for what is wrong only if it is."""
        seen = self.gates[name]
        late = self._now >= seen.told_at + self._config.gate[name].travel + EARLY
        return self.proven(name) and (seen.live or late)

    def kept(self, fan: str) -> int:
        """Gates of a collector that say open, be it only by the broker's retained word: that is no proof."""
        return sum(
            1
            for name in self._own[fan]
            if self.proven(name) or (self.gates[name].said == "open" and not self.gates[name].void)
        )

    def has_air(self, fan: str) -> bool:
        """Enough gates are proven open; a retained word is enough for a fan that turned when the daemon started."""
        least = self._config.collector[fan].min_open
        return self.count(fan) >= least or (self.fans[fan].from_before and self.kept(fan) >= least)

    def count(self, fan: str, without: str = "") -> int:
        """Proven open gates of a collector."""
        return sum(1 for name in self._own[fan] if name != without and self.proven(name))

    def may_turn(self, name: str) -> bool:
        """On, seen on, or within its coast-down; unknown counts as turning."""
        seen = self.fans[name]
        if seen.told is not False or seen.seen_on or not seen.off_sure:
            return True
        return self._now < seen.off_at + self._config.collector[name].coast_down - EARLY

    def travelling(self, name: str, *, tries: bool = False) -> bool:
        """Told open, and its time has not run out."""
        gate, seen = self._config.gate[name], self.gates[name]
        last = seen.again_at + gate.travel
        if tries and gate.state is not None:
            last = max(last, seen.told_at + gate.travel * (1 + gate.retries))
        return seen.told == "open" and self._now < last - EARLY and not self.proven(name)

    def wanted(self, fan: str) -> bool:
        """Somebody or something may start it: seen fresh, heard since the connection, not over, not silent."""
        for name in self._tools[fan]:
            tool, seen = self._config.tool[name], self.tools[name]
            if (seen.rose_at is None and not seen.believed_at(self._now)) or seen.gone:
                continue
            if seen.heard_at < self.connected_at:
                continue
            if tool.silent_after > 0 and self._now > seen.heard_at + tool.silent_after + SLACK:
                continue
            if seen.low_at is None or self._now <= seen.low_at + tool.stop_after + tool.run_on + SLACK:
                return True
        return any(
            self.gates[name].hand_at >= self.connected_at
            and self._now <= self.gates[name].hand_at + self._config.gate[name].hand_limit + SLACK
            for name in self._own[fan]
        )

    # Taking in

    def _take(self, signal: Signal, value: str | float | None, payload: bytes, *, retained: bool, late: float) -> None:
        name, live = signal.name, not retained
        match signal.what:
            case "reads":
                if (read := _number(value)) is not None:
                    self._reads(name, max(0.0, read), signal.measured(payload), live=live, late=late)
            case "gate" if value is not None:
                self._gate_says(name, str(value), live=live)
            case "fan" if value in {"on", "off"}:
                self._see_fan(name, reported=value == "on")
            case "fan_reads" if (read := _number(value)) is not None:
                drawing = read >= self._config.collector[name].turns_at
                if live or drawing:
                    self._see_fan(name, drawing=drawing)
            case "stop" if value in {"active", "clear"}:
                self._stop(name, active=value == "active")
            case "bin" if value in {"full", "clear"}:
                self.fans[name].full = value == "full"
            case "button" | "hand" if live and value in {"pressed", "on"} and not self.standstill:
                self._hand(name)
            case "hold" if live:
                self._latch(name)
            case "reset":
                self._reset_asked(name, live=live)
            case "reset_button" if value in {"pressed", "released"}:
                self._reset_button(name, pressed=value == "pressed", live=live)
            case "tool_online" if value in {"here", "gone"}:
                self.tools[name].gone = value == "gone"
                if value == "gone":
                    self.tools[name].doubt()
            case _:
                del payload

    def _reads(self, name: str, value: float, measured: float | None, *, live: bool, late: float) -> None:
        tool, seen = self._config.tool[name], self.tools[name]
        if not live:
            seen.low = seen.low or value < tool.stop_at  # idle by it; it confirms nothing
            return
        age = None if measured is None else seen.age(measured, self._now)
        limit = getattr(tool.sensor, "max_age", None) or MAX_AGE
        if age is not None and age > limit + SLACK and value >= tool.stop_at:
            return  # held back by its device: it starts nothing and bears nothing out
        young = age is not None and age <= limit + SLACK
        rose = hear_reading(seen, tool, value, self._now, standstill=self.standstill, late=late, young=young)
        if rose and self._held(name):
            seen.rose_at = seen.maybe_at = None

    def _held(self, tool: str) -> bool:
        return any(tool in tools and self.fans[fan].latched for fan, tools in self._tools.items())

    def _gate_says(self, name: str, word: str, *, live: bool) -> None:
        gate, seen = self._config.gate[name], self.gates[name]
        was_shut = seen.said == "shut" and self._now >= seen.told_at + gate.travel - EARLY
        if word == "shut" or was_shut:
            seen.void = False
        if word != "open" and self.proven(name):
            seen.told = None  # somebody moved it: what it was told holds no longer
            self.fans[self._homes[name]].adverse_at = self._now
        seen.live = live or (seen.live and seen.said == word)
        seen.said, seen.said_at = word, self._now
        serves = any(name in tool.gates for tool in self._config.tool.values())
        starts = gate.on_hand_open == "start" or (gate.on_hand_open is None and gate.command is None and not serves)
        if starts and live and word == "open" and seen.told != "open":
            self._hand(name)

    def _hand(self, gate: str) -> None:
        if not self.fans[self._homes[gate]].latched:
            self.gates[gate].hand_at = self._now

    def _see_fan(self, name: str, **changes: bool) -> None:
        fan = self.fans[name]
        before = fan.seen_on
        for key, value in changes.items():
            setattr(fan, key, value)
        if fan.seen_on and not before:
            fan.adverse_at = self._now
            # One wrong word is no standstill.
            fan.from_before = fan.from_before and self._now < fan.dark_at + BY_HAND
        elif before and not fan.seen_on:
            fan.dark_at = self._now
        if fan.told is True and False in changes.values():
            fan.excused_until = self._now + BY_HAND + 1.0  # somebody switched it off
        if fan.seen_on:
            return
        fan.off_since_seen = False
        if before:
            fan.off_at = self._now

    def _stop(self, name: str, *, active: bool) -> None:
        self._stops[name] = active
        if not active:
            return
        for fan in self._config.stop[name].collectors or self._config.collector:
            seen = self.fans[fan]
            if self.connected_at == inf:
                seen.owes_off = True  # the stops have a connection of their own
            elif not seen.latched or seen.told is not False:
                seen.must_off_by = min(seen.must_off_by, self._now + AT_ONCE)
            self._latch(fan)

    def _latch(self, fan: str) -> None:
        if not self.fans[fan].latched:
            self.fans[fan].adverse_at = self.fans[fan].latched_at = self._now
        self.fans[fan].latched = True
        self._promises = [each for each in self._promises if each.fan != fan]
        self._forget_demands(fan)

    def _reset_asked(self, fan: str, *, live: bool) -> None:
        """A message: it counts when none came in the 2 s before it."""
        seen = self._resets_of(fan)
        quiet = self._now >= seen.asked_at + 2.0 - EARLY
        seen.asked_at = self._now
        if live and quiet and not self.standstill:
            self._unlatch(fan)

    def _reset_button(self, fan: str, *, pressed: bool, live: bool) -> None:
        """A press of 0.1 to 2 s, after the button was heard released since the cause had gone."""
        seen = self._resets_of(fan)
        if not live or self.standstill or self._stopped(fan) or not self.fans[fan].latched:
            seen.released, seen.pressed_at = False, None
        elif pressed:
            seen.pressed_at = self._now if seen.released else seen.pressed_at
            seen.released = False
        else:
            held = inf if seen.pressed_at is None else self._now - seen.pressed_at
            seen.released, seen.pressed_at = True, None
            if 0.1 - EARLY <= held <= 2.0 + EARLY:
                self._unlatch(fan)

    def _resets_of(self, fan: str) -> ResetNotes:
        return self.resets.setdefault(self._config.collector[fan].command.topic, ResetNotes())

    def _unlatch(self, fan: str) -> None:
        if not self.fans[fan].latched or self._stopped(fan):
            return
        self.fans[fan].latched = False
        self._forget_demands(fan)

    def _stopped(self, fan: str) -> bool:
        return any(
            active and fan in (self._config.stop[name].collectors or self._config.collector)
            for name, active in self._stops.items()
        )

    def _forget_demands(self, fan: str) -> None:
        for name in self._tools[fan]:
            self.tools[name].rose_at = self.tools[name].maybe_at = None
        for name in self._own[fan]:
            self.gates[name].hand_at = -inf


def _number(value: str | float | None) -> float | None:
    """A sensor's reading; of a contact 1 or 0."""
    return {"active": 1.0, "clear": 0.0}.get(value) if isinstance(value, str) else value


def _devices(config: Config) -> dict[str, dict[str, str]]:
    """By kind and name, the topic by which a device is known whatever its table is called."""
    return {
        "gate": {
            name: gate.command.topic if gate.command is not None else gate.state.topic if gate.state is not None else ""
            for name, gate in config.gate.items()
        },
        "fan": {name: fan.command.topic for name, fan in config.collector.items()},
        "tool": {name: tool.sensor.topic for name, tool in config.tool.items()},
        "stop": {name: stop.topic for name, stop in config.stop.items()},
    }
