"""The independent monitor: every command as it leaves, against I1 to I8, from what was visible to the daemon.

It shares no line with the rules: it reads topics and payloads by the config, keeps its own notes, and knows neither
states nor findings. I9 (a clock that jumps changes nothing) is a test of its own: the same day with and without jumps.
"""

from math import inf

from gatehand.config import Config
from support.monitor_notes import Breach, FanNotes, GateNotes, Promise, ToolNotes
from support.signal_words import Signal, signals

EARLY = 0.03
"""Seconds by which a command may leave later than it was decided: the log's bound, and whole milliseconds. An observer
on the far side of a broker needs more."""
SETTLING = 0.5
"""Seconds after a connection in which what the broker retains still comes in."""
AT_ONCE = 0.6
"""What "at once" may take: the log's bound, and a sign of life from a broker that has been quiet."""
SLACK = 0.3
CROSSING = 0.025
"""Seconds within which a command may cross with the message that forbids it, on its way through log and session."""


class Monitor:
    """One daemon after the other under watch. The caller tells what was visible; `breaches` says what was broken."""

    def __init__(self, config: Config, early: float = EARLY) -> None:
        self._early = early
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
        self.breaches: list[Breach] = []
        self.checked = 0
        """Commands that were checked."""
        self.crossed = 0
        """Commands that left just after something was heard that forbids them, and had been given before."""
        self._now = self._given = self._stopping_from = 0.0
        self.connected_at = inf
        self.next_at = inf
        """When `tick` is due."""
        self.begin(0.0)

    def begin(self, now: float) -> None:
        """A daemon starts: it has seen nothing."""
        self._now = now
        self.gates = {name: GateNotes() for name in self._config.gate}
        self.fans = {name: FanNotes() for name in self._config.collector}
        self.tools = {name: ToolNotes() for name in self._config.tool}
        self._stops: dict[str, bool] = dict.fromkeys(self._config.stop, False)
        self._promises: list[Promise] = []
        self.connected_at = self.next_at = inf
        self._owed_from = -inf
        self.stopping = False
        self.met = False
        """A connection has settled since its start."""

    # What is visible

    def connected(self, now: float) -> None:
        """A connection stands."""
        self._now = self.connected_at = now
        for name, fan in self.fans.items():
            refresh = self._config.collector[name].refresh
            fan.sure = fan.sure and (refresh == 0 or now <= fan.on_at + refresh)

    def lost(self, heard_at: float, now: float) -> None:
        """The connection is gone; what left after `heard_at` may not have arrived."""
        self._now, self.connected_at = now, inf
        self._promises.clear()
        self.next_at = inf
        heard_at -= 0.001
        for gate in self.gates.values():
            if gate.told == "open" and gate.told_at > heard_at:
                gate.told = None
        for fan in self.fans.values():
            fan.must_off_by = inf
            if fan.told is True and fan.on_at > heard_at:
                fan.sure = False
            if fan.told is False and fan.off_at > heard_at:
                fan.off_sure = False

    def suspended(self, until: float) -> None:
        """The daemon's process gets no processor until then: what falls due meanwhile is owed after it."""
        self._owed_from = until + AT_ONCE
        self._plan()

    def heard(self, topic: str, payload: bytes, now: float, *, retained: bool) -> None:
        """A message reaches the daemon."""
        self._now = now
        for signal in self._signals.get(topic, ()):
            self._take(signal, signal.read(payload), payload, retained=retained)
        self._look()
        self._plan()

    def asked_to_stop(self, now: float) -> None:
        """A clean stop begins."""
        self._now = self._stopping_from = now
        self.stopping = True
        self._promises.clear()

    def left(self, topic: str, payload: bytes, now: float, given: float) -> None:
        """A command leaves the daemon, `given` to its session at most half a second before (which is checked)."""
        self._now, self._given = now, given
        name, words = self.commands[topic]
        self.checked += 1
        word = words[payload.decode()]
        if self.connected_at == inf:
            self._breach("I6", f"{name} told {word} without a connection")
        match word:
            case "on":
                self._on(name)
            case "off":
                self._off(name)
            case "open":
                self._open(name)
            case _:
                self._shut(name)
        self._look()
        self._plan()

    def tick(self, now: float) -> None:
        """Time has passed: `next_at` has come."""
        self._now = now
        self._look()
        self._due()
        self._plan()

    def _due(self) -> None:
        now = self._now
        if now < self._owed_from:
            return
        for name, fan in self.fans.items():
            if now >= fan.must_off_by:
                fan.must_off_by = inf
                self._breach("I5", f"{name} was not told off within {AT_ONCE} s of a stop contact")
            if fan.starved_since is not None and now >= fan.starved_since + AT_ONCE:
                fan.starved_since = inf
                self._starved(name, fan)
        for promise in [each for each in self._promises if now >= each.by]:
            self._promises.remove(promise)
            self._kept(promise)

    def _plan(self) -> None:
        moments = [promise.by for promise in self._promises]
        for fan in self.fans.values():
            moments.append(fan.must_off_by)
            if fan.starved_since is not None:
                moments.append(fan.starved_since + AT_ONCE)
        self.next_at = max(min(moments, default=inf), self._owed_from)

    # What is known

    def proven(self, name: str) -> bool:
        """Proven open (I1)."""
        gate, seen = self._config.gate[name], self.gates[name]
        by_time = seen.told == "open" and self._now >= seen.told_at + gate.travel - self._early
        if gate.state is None:
            return by_time
        return seen.said == "open" and not seen.void and (seen.live or by_time)

    def surely_proven(self, name: str) -> bool:
        """The same without the benefit of the doubt, for what is wrong only if it is."""
        seen = self.gates[name]
        late = self._now >= seen.told_at + self._config.gate[name].travel + self._early
        return self.proven(name) and (seen.live or late)

    def _speaks_live(self, name: str) -> bool:
        """What it says is not only what the broker retains."""
        return self._config.gate[name].state is None or self.gates[name].live

    def count(self, fan: str, without: str = "") -> int:
        """Proven open gates of a collector."""
        return sum(1 for name in self._own[fan] if name != without and self.proven(name))

    def may_turn(self, name: str) -> bool:
        """On, seen on, or within its coast-down; unknown counts as turning."""
        seen = self.fans[name]
        if seen.told is not False or seen.seen_on or not seen.off_sure:
            return True
        return self._now < seen.off_at + self._config.collector[name].coast_down - self._early

    def travelling(self, name: str, *, tries: bool = False) -> bool:
        """Told open, and its time has not run out."""
        gate, seen = self._config.gate[name], self.gates[name]
        last = seen.again_at + gate.travel
        if tries and gate.state is not None:
            last = max(last, seen.told_at + gate.travel * (1 + gate.retries))
        return seen.told == "open" and self._now < last - self._early and not self.proven(name)

    def wanted(self, fan: str) -> bool:
        """Somebody or something may start it: seen fresh, heard since the connection, not over, not silent."""
        for name in self._tools[fan]:
            tool, seen = self._config.tool[name], self.tools[name]
            if seen.rose_at is None or seen.gone or seen.heard_at < self.connected_at:
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

    def _take(self, signal: Signal, value: str | float | None, payload: bytes, *, retained: bool) -> None:
        name, live = signal.name, not retained
        match signal.what:
            case "amps":
                if live and isinstance(value, float):
                    self._amps(name, max(0.0, value))
            case "gate" if value is not None:
                self._gate_says(name, str(value), live=live)
            case "fan" if value in {"on", "off"}:
                self._see_fan(name, reported=value == "on")
            case "fan_amps" if isinstance(value, float):
                drawing = value >= self._config.collector[name].running_amps
                if live or drawing:
                    self._see_fan(name, drawing=drawing)
            case "stop" if value in {"active", "clear"}:
                self._stop(name, active=value == "active")
            case "bin" if value in {"full", "clear"}:
                self.fans[name].full = value == "full"
            case "button" | "hand" if live and value in {"pressed", "on"}:
                self._hand(name)
            case "hold" if live:
                self._latch(name)
            case "reset" if live:
                self._reset(name)
            case "own_fan" if retained and value == "held" and not self.met:
                self._latch(name)
            case "tool_online" if value in {"here", "gone"}:
                self.tools[name].gone = value == "gone"
            case _:
                del payload

    def _amps(self, name: str, amps: float) -> None:
        tool, seen = self._config.tool[name], self.tools[name]
        seen.heard_at, seen.gone = self._now, False
        if amps < tool.stop_amps:
            seen.low = True
            seen.low_at = self._now if seen.low_at is None else seen.low_at
            return
        seen.low_at = None
        if amps >= tool.start_amps and seen.low:
            seen.low, seen.rose_at = False, self._now
            if self._held(name):
                seen.rose_at = None

    def _held(self, tool: str) -> bool:
        return any(tool in tools and self.fans[fan].latched for fan, tools in self._tools.items())

    def _gate_says(self, name: str, word: str, *, live: bool) -> None:
        gate, seen = self._config.gate[name], self.gates[name]
        was_shut = seen.said == "shut" and self._now >= seen.told_at + gate.travel - self._early
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
        if fan.told is True and False in changes.values():
            fan.excused_until = self._now + 1.0  # somebody switched it off
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
            if not seen.latched or seen.told is not False:
                seen.must_off_by = min(seen.must_off_by, self._now + AT_ONCE)
            self._latch(fan)

    def _latch(self, fan: str) -> None:
        if not self.fans[fan].latched:
            self.fans[fan].adverse_at = self._now
        self.fans[fan].latched = True
        self._promises = [each for each in self._promises if each.fan != fan]
        self._forget_demands(fan)

    def _reset(self, fan: str) -> None:
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
            self.tools[name].rose_at = None
        for name in self._own[fan]:
            self.gates[name].hand_at = -inf

    # Checking

    def _breach(self, rule: str, text: str) -> None:
        self.breaches.append(Breach(self._now, rule, text))

    def _stop_is_on(self) -> bool:
        """A clean stop has begun, and what was decided before it has left."""
        return self.stopping and self._now - self._stopping_from > CROSSING

    def _crosses(self, fan: str, *, given_before: bool) -> bool:
        """An "on" must have been given to the session before: one that waits for the disk is taken back."""
        adverse_at = self.fans[fan].adverse_at
        crosses = self._now - adverse_at <= CROSSING and (self._given < adverse_at or not given_before)
        self.crossed += crosses
        return crosses

    def _on(self, name: str) -> None:
        seen, fan = self.fans[name], self._config.collector[name]
        if self._stop_is_on():
            self._breach("I6", f"{name} told on while stopping")
        if (proven := self.count(name)) < fan.min_open and not self._crosses(name, given_before=True):
            self._breach("I1", f"{name} told on with {proven} gates proven open, {fan.min_open} wanted")
        if seen.latched and not self._crosses(name, given_before=True):
            self._breach("I5", f"{name} told on while held")
        repeated = (seen.told is True and seen.sure) or seen.seen_on
        if not repeated:
            seen.starts.append(self._now)
            if not self.wanted(name) and not self._crosses(name, given_before=True):
                self._breach("I5, I6", f"{name} started without a fresh demand")
            if seen.full and fan.on_bin_full == "refuse":
                self._breach("bin", f"{name} started with a full bin")
        seen.told, seen.sure, seen.on_at, seen.adopting = True, True, self._now, False

    def _off(self, name: str) -> None:
        seen = self.fans[name]
        while seen.starts and seen.starts[0] <= self._now - 3600 + 2 * self._early:
            seen.starts.popleft()
        limit = self._config.collector[name].starts_per_hour
        surely = [gate for gate in self._own[name] if self.surely_proven(gate) and self._speaks_live(gate)]
        enough = len(surely) >= self._config.collector[name].min_open
        excused = seen.latched or self.stopping or not enough or self._now < seen.excused_until
        fresh_connection = self._now < self.connected_at + SETTLING + SLACK
        if seen.told and limit is not None and not (excused or fresh_connection) and len(seen.starts) >= limit:
            self._breach("I8", f"{name} told off with {len(seen.starts)} starts in the hour, {limit} allowed")
        if seen.told is not False or not seen.off_sure:
            seen.off_at = self._now
        seen.told, seen.sure, seen.off_sure, seen.off_since_seen = False, False, True, True
        seen.must_off_by, seen.adopting = inf, False

    def _open(self, name: str) -> None:
        if self._stop_is_on():
            self._breach("I6", f"{name} told open while stopping")
        seen, home = self.gates[name], self._homes[name]
        if seen.told == "open":
            seen.again_at = self._now
            return
        seen.told, seen.told_at, seen.again_at = "open", self._given, self._now
        # A report that crossed with the command, which had been decided before it: to the daemon it came afterwards.
        crossed = seen.said == "open" and seen.live and self._now - seen.said_at <= CROSSING
        seen.live, seen.void, seen.proven_once = crossed or (seen.live and not seen.void), False, False
        limit = self._config.collector[home].max_open
        standing = [gate for gate in self._own[home] if self.gates[gate].told == "open"]
        if limit is None or len(standing) <= limit:
            return
        if self.count(home, without=name) < self._config.collector[home].min_open and self.may_turn(home):
            return  # air for the fan comes before the limit (I4)
        # What gives way to it may stand until it is proven, and no longer.
        spans = [self._config.gate[gate].travel * (1 + self._config.gate[gate].retries) for gate in standing]
        self._promises.append(Promise(self._now, self._now + max(spans) + SLACK, "I7", home, limit))

    def _shut(self, name: str) -> None:
        if self._stop_is_on():
            self._breach("I6", f"{name} told shut while stopping")
        seen, home = self.gates[name], self._homes[name]
        if self.may_turn(home):
            left, least = self.count(home, without=name), self._config.collector[home].min_open
            if left < least and not self._crosses(home, given_before=False):
                self._breach("I2", f"{name} told shut, {left} gates proven open left, {least} wanted")
            elif left >= least and self.surely_proven(name):
                self._before_break(name, home)
        if seen.told != "shut":
            seen.told, seen.told_at = "shut", self._now
            seen.said = None if seen.said == "open" else seen.said
        seen.again_at, seen.void, seen.proven_once = self._now, True, False

    def _before_break(self, name: str, home: str) -> None:
        """I3: what is still on its way in its stead must have arrived, unless something newer already has."""
        arrived = [self.gates[gate].told_at for gate in self._own[home] if gate != name and self.proven(gate)]
        newest = max(arrived, default=-inf)
        for gate in self._own[home]:
            if gate != name and self.travelling(gate) and self.gates[gate].told_at > newest:
                self._breach("I3", f"{name} told shut before {gate} is proven open")

    def _kept(self, promise: Promise) -> None:
        standing = [gate for gate in self._own[promise.fan] if self.gates[gate].told == "open"]
        if any(self.gates[gate].told_at > promise.since for gate in standing):
            return  # the zone has changed again: a later promise
        counted = [gate for gate in standing if self.gates[gate].proven_once]
        enough = self.count(promise.fan) > self._config.collector[promise.fan].min_open
        if len(counted) > promise.count and enough and self.connected_at < inf:
            names = ", ".join(counted)
            self._breach(promise.rule, f"{names} still stand open, {promise.count} allowed")

    def _look(self) -> None:
        """Whether a fan is seen to turn without air (I4)."""
        for name in self._own:
            for gate in self._own[name]:
                if not self.gates[gate].proven_once and self.gates[gate].told == "open" and self.proven(gate):
                    self.gates[gate].proven_once = True
        settled = self._now >= self.connected_at + SETTLING and not self.stopping
        self.met = self.met or settled
        for name, fan in self.fans.items():
            enough = self.count(name) >= self._config.collector[name].min_open
            if enough:
                fan.adopting = False
            if not enough:
                fan.excused_until = max(fan.excused_until, self._now + 0.1)
            if not (settled and fan.seen_on) or enough:
                fan.starved_since = None
            elif fan.starved_since is None:
                fan.starved_since = self._now

    def _starved(self, name: str, fan: FanNotes) -> None:
        own, least = self._own[name], self._config.collector[name].min_open
        moving = sum(1 for gate in own if self.travelling(gate, tries=True))
        unused = [g for g in own if self._config.gate[g].command is not None and self.gates[g].told != "open"]
        if self.count(name) + moving < least and unused:
            self._breach("I4", f"{name} turns without air; {', '.join(unused)} not told open")
        if not fan.off_since_seen and not (fan.adopting and moving):
            self._breach("I4", f"{name} turns without air and was not told off")
