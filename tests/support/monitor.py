"""The independent monitor: every command as it leaves, against I1 to I8, from what was visible to the daemon.

It shares no line with the rules: it reads topics and payloads by the config, keeps its own notes, and knows neither
states nor findings. I9 (a clock that jumps changes nothing) is a test of its own: the same day with and without jumps.
"""

from collections import deque
from collections.abc import Sequence
from math import inf

from gatehand.config import Config
from support.monitor_fresh import EARLY, UNCHALLENGED, says_changes
from support.monitor_notes import Breach, FanNotes, Promise
from support.monitor_sight import AT_ONCE, SETTLING, SLACK, Sight

CROSSING = 0.025
"""Seconds within which a command may cross with the message that forbids it, on its way through log and session."""


class Monitor(Sight):
    """One daemon after the other under watch. The caller tells what was visible; `breaches` says what was broken."""

    def __init__(self, config: Config) -> None:
        super().__init__(config)
        self.breaches: list[Breach] = []
        self.checked = 0
        """Commands that were checked."""
        self.crossed = 0
        """Commands that left just after something was heard that forbids them, and had been given before."""
        self._given = self._stopping_from = 0.0
        self.next_at = inf
        """When `tick` is due."""
        self._started: dict[str, deque[float]] = {}
        """Starts, whichever daemon told them."""
        self._carry({})
        self.begin(0.0)

    def begin(self, now: float, on_record: Sequence[tuple[str, float]] = (), config: Config | None = None) -> None:
        """A daemon starts: it has seen nothing. `on_record`: starts in its log, which still count (I8).

        A hold outlives every daemon (I5), whatever its collector is called in the `config` of the next one.
        """
        held = {self._config.collector[name].command.topic: fan.latched_at for name, fan in self.held.items()}
        started = {self._config.collector[name].command.topic: times for name, times in self._started.items()}
        if config is not None:
            self._lay_out(config)
        self.blank(now)
        self._carry(started)
        for name, fan in self.fans.items():
            since = held.get(self._config.collector[name].command.topic)
            fan.latched, fan.latched_at = since is not None, -inf if since is None else since
            known = [at for whose, at in on_record if whose == name]
            fan.starts.extend(at for at in self._started[name] if any(abs(at - told) <= AT_ONCE for told in known))
        self.next_at = inf
        self._owed_from = -inf
        self.stopping = False

    def _carry(self, started: dict[str, deque[float]]) -> None:
        """Starts by command topic, under the names of the config of now."""
        self._started = {
            name: started.get(fan.command.topic, deque(maxlen=99)) for name, fan in self._config.collector.items()
        }

    @property
    def held(self) -> dict[str, FanNotes]:
        """The collectors on which a hold stands."""
        return {name: fan for name, fan in self.fans.items() if fan.latched}

    # What is visible

    def reconfigured(self, config: Config, now: float) -> None:
        """The daemon works by another config from now on. An edit ends no hold and starts nothing."""
        self._now = now
        started = {self._config.collector[name].command.topic: times for name, times in self._started.items()}
        self.rearrange(config)
        self._carry(started)
        self._look()
        self._plan()

    def died(self, unwritten_since: float) -> None:
        """The daemon is dead. A hold that began since then was not on its disk yet, and not shown: it may be lost."""
        for fan in self.held.values():
            fan.latched = fan.latched_at < unwritten_since

    def stops_lost(self, now: float) -> None:
        """The stop contacts' own connection is gone, or what is retained there is still to be read."""
        self.unheard_since = min(self.unheard_since, now)

    def stops_heard(self) -> None:
        """It stands, and what was retained has been read."""
        self.unheard_since = inf

    def at_broker(self, topic: str, payload: bytes, now: float) -> None:
        """A device's word is at the broker, and nothing is wrong with the way from there: a stop is owed its "off"."""
        for signal in self._signals.get(topic, ()):
            if signal.what == "stop" and signal.read(payload) == "active" and self.unheard_since == inf:
                for name in self._config.stop[signal.name].collectors or self._config.collector:
                    if self.fans[name].told is True:
                        self.fans[name].must_off_by = min(self.fans[name].must_off_by, now + AT_ONCE + SLACK)
        self._plan()

    def stands_still(self, *, on: bool) -> None:
        """What comes from now on had waited through a standstill of the daemon; or what follows is new again."""
        self.standstill = on
        for name, tool in self.tools.items():
            tool.doubt()
            table = self._config.tool[name]
            if not on and says_changes(table) and tool.low and (tool.value or 0.0) >= table.start_at:
                # It says nothing again, unless it changes: what it said is believed, and is another cut than the last.
                tool.maybe_at, tool.low_at = self._now + UNCHALLENGED - EARLY, None

    def connected(self, now: float) -> None:
        """A connection stands."""
        self._now = self.connected_at = now
        for tool in self.tools.values():
            tool.doubt()
        for name, fan in self.fans.items():
            refresh = self._config.collector[name].refresh
            fan.sure = fan.sure and (refresh == 0 or now <= fan.on_at + refresh)
            if fan.owes_off and fan.latched:
                fan.must_off_by = now + AT_ONCE + SETTLING
            fan.owes_off = False

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

    def heard(self, topic: str, payload: bytes, now: float, *, retained: bool, late: float = 0.0) -> None:
        """A message reaches the daemon, `now` or up to so many seconds later."""
        self._now = now
        for signal in self._signals.get(topic, ()):
            self._take(signal, signal.read(payload), payload, retained=retained, late=late)
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
        if topic not in self.commands:
            return  # a question to a device, or what leaves for a gate that an edit has just removed
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
                self._breach("I5", f"{name} was not switched off within {AT_ONCE} s of a stop contact")
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
            self._breach("I6", f"{name} switched on while stopping")
        proven, repeats = self.count(name), seen.seen_on and seen.from_before
        short = not self.has_air(name) if repeats else proven < fan.min_open
        if short and not self._crosses(name, given_before=True):
            self._breach("I1", f"{name} switched on with {proven} gates proven open, {fan.min_open} wanted")
        if seen.latched and not self._crosses(name, given_before=True):
            self._breach("I5", f"{name} switched on while held")
        repeated = (seen.told is True and seen.sure) or seen.seen_on
        if not repeated:
            seen.starts.append(self._now)
            self._started[name].append(self._now)
            if not self.wanted(name) and not self._crosses(name, given_before=True):
                self._breach("I5, I6", f"{name} started without a fresh demand")
            if self._now > self.unheard_since + 2.0 + SLACK:
                self._breach("I5", f"{name} started while the stop contacts were not heard")
            if seen.full and fan.on_bin_full == "refuse":
                self._breach("bin", f"{name} started with a full bin")
        seen.told, seen.sure, seen.on_at, seen.adopting = True, True, self._now, False

    def _off(self, name: str) -> None:
        seen = self.fans[name]
        while seen.starts and seen.starts[0] <= self._now - 3600 + 2 * EARLY:
            seen.starts.popleft()
        limit = self._config.collector[name].starts_per_hour
        surely = [gate for gate in self._own[name] if self.surely_proven(gate)]
        enough = len(surely) >= self._config.collector[name].min_open
        excused = seen.latched or self.stopping or not enough or self._now < seen.excused_until
        fresh_connection = self._now < self.connected_at + SETTLING + SLACK
        if seen.told and limit is not None and not (excused or fresh_connection) and len(seen.starts) >= limit:
            self._breach("I8", f"{name} switched off with {len(seen.starts)} starts in the hour, {limit} allowed")
        if seen.told is not False or not seen.off_sure:
            seen.off_at = self._now
        seen.told, seen.sure, seen.off_sure, seen.off_since_seen = False, False, True, True
        seen.must_off_by, seen.adopting, seen.from_before = inf, False, False

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
        for name, fan in self.fans.items():
            enough = self.has_air(name)
            if self.count(name) >= self._config.collector[name].min_open:
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
            self._breach("I4", f"{name} turns without air and was not switched off")
