"""The virtual shop of one seed: devices, broker, daemon, people and faults under one clock.

`run` plays the script of a day under the monitor, then mends everything and asks for air: liveness.
"""

from collections import Counter, deque
from collections.abc import Callable, Sequence
from math import inf
from random import Random
from typing import TypeAlias

import sim_more as more
from sim_broker import Link, Radio, VirtualBroker
from sim_daemon import Killed, Surroundings, VirtualDaemon
from sim_disk import MemoryDisk
from sim_draw import Drawn
from sim_edits import Edited
from sim_happening import Happening
from sim_memory import SimMemory
from sim_script import CLOSES
from sim_time import Clocks, Scheduler
from sim_truth import Truth
from support.monitor import Monitor
from support.monitor_notes import Breach
from support.signal_words import signals

from gatehand.config import Loaded
from gatehand.mqtt.transport import Outgoing
from gatehand.shell.engine import Engine
from gatehand.shell.ports import RecorderPort, Remembered
from gatehand.simshop.device import Sent
from gatehand.simshop.gate import GateTrouble
from gatehand.simshop.sim_shop import SimShop

JUNK = (b"", b"nan", b"1e999", b"\xff\xfe", b"{", b'{"amps": true}', b"open\x00", b"[" * 200, b"-1", b"ON", b"9" * 5000)
_TROUBLES = {f"gate_{each}": each for each in GateTrouble}

Record: TypeAlias = Callable[["World", str], RecorderPort]
"""Makes the recorder of one run of the daemon."""


class World:
    """One seed's shop. `step_to` moves time; `happen` makes something happen now."""

    def __init__(self, seed: str, drawn: Drawn, record: Record | None = None) -> None:
        self.drawn = drawn
        self._record = record
        self.config = drawn.config
        self.clocks = Clocks()
        self.day = self.clocks.now
        self.scheduler = Scheduler(self.clocks)
        self.random = Random(f"{seed}/world")
        self.disk = MemoryDisk()
        self.memory = SimMemory(self.clocks, Remembered())
        self.edited = Edited(drawn.loaded.text)
        self.holding: dict[str, list[Sent]] = {}
        """By topic: what a device holds back through its outage."""
        self.monitor = Monitor(drawn.config)
        self.shop = SimShop(drawn.config, seed=hash_of(seed), now=self.clocks.now, habits=drawn.habits)
        self.broker = VirtualBroker(self.clocks, self.scheduler, Random(f"{seed}/air"), self._to_devices)
        self.broker.latency = self.random.choice((0.001, 0.003, 0.01))
        homes = {name: gate.collector or next(iter(self.config.collector)) for name, gate in self.config.gate.items()}
        self.homes = homes
        self.truth = Truth(drawn.config, self.shop, homes)
        self.happened: Counter[str] = Counter()
        self.events = 0
        self.told: list[tuple[float, str, str]] = []
        self.history: deque[tuple[float, str]] = deque(maxlen=400)
        self.mishaps = 0
        self.late_acts: list[float] = []
        self.breaches: list[Breach] = []
        self.daemon: VirtualDaemon | None = None
        self.shown: Callable[[Engine, Outgoing], None] = lambda _engine, _outgoing: None
        """Hears what the daemon publishes."""
        self.broker.on_arrival = self._at_broker
        self._recent: deque[Happening] = deque(maxlen=24)
        self._cable_out_until = -inf
        self._frozen_until = -inf
        self._wall_unsure_until = -inf
        """From then on wall time tells how long ago a start was."""
        self._runs = 0
        self._restart_wait: Callable[[], float] = lambda: 1.0
        for sent in self.shop.begin(self.clocks.now):
            self.broker.say(sent.topic, sent.payload, retain=sent.retain)
        self.start_daemon()

    # Time

    def step_to(self, end: float, *, stop_at_breach: bool = True) -> None:
        """Let everything happen until `end` (monotonic seconds), or until an invariant is broken."""
        clocks, scheduler, shop, monitor = self.clocks, self.scheduler, self.shop, self.monitor
        while True:
            ours, theirs = scheduler.next_at(), shop.next_at()
            theirs = inf if theirs is None else theirs
            due = monitor.next_at
            moment = min(ours, theirs, due)
            if moment > end:
                break
            self.events += 1
            clocks.now = max(clocks.now, moment)
            try:
                if due <= moment:
                    monitor.tick(clocks.now)
                if theirs <= ours and theirs <= moment:
                    self._devices()
                elif ours <= moment:
                    scheduler.run_next()
            except Killed:
                self._killed()
            if stop_at_breach and self.broken:
                return
        clocks.now = max(clocks.now, end)
        self._devices()

    @property
    def broken(self) -> list[Breach]:
        """All breaches so far."""
        found = [*self.monitor.breaches, *self.breaches]
        if self.daemon is not None:
            found += self.daemon.breaches
            if self.daemon.engine.mishaps:
                found.append(Breach(self.clocks.now, "mishap", "the rules or the engine raised"))
        return found

    def _devices(self) -> None:
        now = self.clocks.now
        for sent in self.shop.advance(now):
            if sent.topic in self.holding:
                self.holding[sent.topic].append(sent)
            else:
                self.broker.say(sent.topic, sent.payload, retain=sent.retain)
        self.truth.look(now, list(self._recent), self.day, self._believed)

    def _to_devices(self, topic: str, payload: bytes) -> None:
        now = self.clocks.now
        self.note(f"device gets {topic} {payload!r}")
        self.shop.deliver(topic, payload, now)
        self._devices()

    def _at_broker(self, topic: str, payload: bytes) -> None:
        """A stop contact's word is with the daemon at once, whatever else the broker has for it."""
        links, daemon = self.broker.links, self.daemon
        if daemon is not None and daemon.alive and self.broker.link is not None and all(link.flows for link in links):
            self.monitor.at_broker(topic, payload, self.clocks.now)

    def _believed(self, gate: str) -> bool:
        now = self.edited.name_now("gate", gate)
        return now in self.monitor.gates and self.monitor.proven(now)

    def note(self, text: str) -> None:
        """A line of the history."""
        self.history.append((self.clocks.now, text))

    # The daemon

    def save(self) -> Loaded | None:
        """Somebody saves the config file. None: it has errors and is not taken."""
        loaded = self.edited.load()
        self.note(f"config saved: {'; '.join(map(str, loaded.errors)) or 'well'}")
        if self.daemon is not None and self.daemon.alive:
            self.daemon.save(loaded)
        return None if loaded.config is None else loaded

    def speak(self, sent: Sent) -> None:
        """A device's message goes out."""
        self.broker.say(sent.topic, sent.payload, retain=sent.retain)

    def speak_now(self) -> None:
        """What the devices have to say now goes out."""
        self._devices()

    def break_gate(self, name: str, now: float) -> Callable[[float], object]:
        """Its slide does not move, and nothing of it speaks."""
        gate = self.shop.gates[name]
        gate.suffer(GateTrouble.JAM, now)
        return lambda at: gate.suffer(None, at)

    def start_daemon(self) -> None:
        """A new process, if none runs."""
        if self.daemon is not None and self.daemon.alive:
            return
        self._bury()
        self._runs += 1
        self.note(f"daemon starts (run {self._runs})")
        self.memory = SimMemory(self.clocks, self.memory.kept)
        around = Surroundings(
            self.edited.load(),
            self.config.log.folder,
            self.memory,
            self.clocks,
            self.scheduler,
            self.broker,
            self.disk,
            self.monitor,
            self.random,
            self._is_night,
            self._reachable,
            self.told,
            self.note,
            self.disk.starts() if self.clocks.now >= self._wall_unsure_until else [],
            self._show,
        )
        run = f"run{self._runs}"
        self.daemon = VirtualDaemon(around, run, None if self._record is None else self._record(self, run))

    def _show(self, engine: Engine, outgoing: Outgoing) -> None:
        self.shown(engine, outgoing)

    def _bury(self) -> None:
        if self.daemon is not None:
            self.mishaps += self.daemon.engine.mishaps
            self.late_acts += self.daemon.late_acts
            self.breaches += self.daemon.breaches
            self.daemon = None

    def cut_power(self, memory: str, back_after: float) -> None:
        """Daemon and broker die in the same instant; the broker comes back first."""
        self._restart_wait = lambda: back_after + 0.5
        self.broker.die(memory)
        self._killed()
        self.scheduler.at(self.clocks.now + back_after, lambda: setattr(self.broker, "up", True))

    def _killed(self, torn: float | None = None) -> None:
        if self.daemon is None or not self.daemon.alive:
            return
        self.note("daemon killed")
        self.truth.killed_at = self.clocks.now
        self.daemon.kill(self.random.choice((0.0, 0.0, 0.3, 0.9)) if torn is None else torn)
        self._bury()
        self.scheduler.at(self.clocks.now + self._restart_wait(), self.start_daemon)

    def _is_night(self) -> bool:
        return self.clocks.now - self.day > CLOSES

    def _reachable(self) -> bool:
        return self.broker.up and self.clocks.now >= max(self._cable_out_until, self._frozen_until)

    def forget_faults(self) -> None:
        """What still holds up the network or the daemon is over."""
        self._cable_out_until = self._frozen_until = -inf
        self._restart_wait = lambda: 0.5
        self.empty_disk()
        self.broker.flooded = 0.0
        self.holding.clear()
        self.edited.undo()
        if self.daemon is not None:
            self.daemon.save(self.edited.load())
        if self.daemon is not None:
            self.daemon.die_at_next = None
            self.daemon.log.stall(on=False)
            self.memory.sync()
            for link in self.broker.links:
                if link.frozen:
                    link.thaw()
        self.start_daemon()

    # People and faults

    def happen(self, each: Happening) -> None:
        """It happens now; its end is put on the schedule."""
        self.happened[each.kind] += 1
        self.note(f"*** {each}")
        self.remember(each)
        over = self.day + each.until
        end = self._begin(each, self.clocks.now)
        if end is not None and over > self.clocks.now:
            self.scheduler.at(over, lambda: self._end(each, end))
        self._devices()

    def remember(self, each: Happening) -> None:
        """It may explain what follows."""
        self._recent.append(each)
        if each.kind.startswith(("gate_", "radio_", "broker_", "cable_", "dead_gate", "flood", "wrong_word")):
            self.truth.doubtful.add(each.name)

    def _end(self, each: Happening, end: Callable[[float], object]) -> None:
        self.note(f"*** over: {each.kind} {each.name}")
        end(self.clocks.now)
        self._devices()

    def _begin(self, each: Happening, now: float) -> Callable[[float], object] | None:
        group = each.kind.split("_", maxsplit=1)[0]
        match group:
            case _ if each.kind in more.DRAWS:
                return more.DRAWS[each.kind].begin(self, each, now)
            case "gate":
                return self._gate(each, now)
            case "sensor" | "cut":
                return self._tool(each, now)
            case "fan":
                return self._fan(each, now)
            case "broker" | "cable" | "radio" | "garbage" | "retained":
                return self._net(each, now)
            case "daemon" | "disk" | "wall":
                return self._machine(each, now)
            case _:
                return self._people(each, now)

    def _people(self, each: Happening, now: float) -> Callable[[float], object] | None:
        base, name = self.config.broker.base, each.name
        match each.kind:
            case "press":
                self.shop.gates[name].press(now)
            case "hand_asked" | "hand_retained":
                name = self.edited.name_now("gate", name) or name
            case "hold_asked" | "reset":
                name = self.edited.name_now("collector", name) or name
        match each.kind:
            case "press":
                self.shop.gates[name].press(now)
            case "hand_asked":
                self.broker.say(f"{base}/gate/{name}/hand", b"1", retain=False)
                return lambda _: self.broker.say(f"{base}/gate/{name}/hand", b"0", retain=False)
            case "stop_pressed":
                self.shop.stops[name].set(active=True, at=now)
                return lambda at: self.shop.stops[name].set(active=False, at=at)
            case "mains_off":
                self._mains(on=False)
                return lambda _: self._mains(on=True)
            case "hand_retained":  # by a careless script; the broker sends it again with every new connection
                self.broker.say(f"{base}/gate/{name}/hand", b"1", retain=True)
                return lambda _: self.broker.say(f"{base}/gate/{name}/hand", b"", retain=True)
            case "hold_asked":
                self.broker.say(f"{base}/collector/{name}/hold", b"filter change", retain=False)
            case "reset":
                self.broker.say(f"{base}/collector/{name}/reset", b"", retain=False)
            case _:
                contact = self.shop.collectors[name].bin
                if contact is not None:
                    contact.set(active=True, at=now)
                    return lambda at: contact.set(active=False, at=at)
        return None

    def _mains(self, *, on: bool) -> None:
        for tool in self.shop.tools.values():
            tool.silence(on=not on)

    def _gate(self, each: Happening, now: float) -> Callable[[float], object] | None:
        gate = self.shop.gates[each.name]
        if each.kind == "gate_by_hand":
            gate.move_by_hand(to_open=True, at=now)
            return lambda at: gate.move_by_hand(to_open=False, at=at)
        if each.kind == "gate_lies":
            gate.say(opened=each.value < 0.5, at=now)
            return None
        gate.suffer(_TROUBLES[each.kind], now)
        return lambda at: gate.suffer(None, at)

    def _tool(self, each: Happening, now: float) -> Callable[[float], object] | None:
        tool = self.shop.tools[each.name]
        match each.kind:
            case "cut":
                light = self.config.tool[each.name].start_at * each.value
                tool.switch(on=True, at=now, load=light or None)
                return lambda at: tool.switch(on=False, at=at)
            case "sensor_silent":
                tool.silence(on=True)
                return lambda _: tool.silence(on=False)
            case "sensor_stuck":
                tool.stick(now, on=True)
                return lambda at: tool.stick(at, on=False)
            case "sensor_spike":
                tool.spike(now, tool.running * (5 + 4 * each.value))
            case "sensor_babble":
                tool.babble(now, JUNK[int(each.value * len(JUNK))])
            case _:
                tool.drop(now)
                return tool.come_back
        return None

    def _fan(self, each: Happening, now: float) -> Callable[[float], object] | None:
        fan = self.shop.collectors[each.name]

        def hear(_: float) -> None:
            fan.deaf = False

        match each.kind:
            case "fan_by_hand":
                fan.switch_by_hand(on=True, at=now)
                return lambda at: fan.switch_by_hand(on=False, at=at)
            case "fan_welded":
                fan.weld(now)
                return lambda at: fan.weld(at, on=False)
            case "fan_tripped":
                fan.trip(now)
                return lambda at: fan.trip(at, on=False)
            case _:
                fan.deaf = True
                return hear

    def _net(self, each: Happening, now: float) -> Callable[[float], object] | None:
        broker = self.broker
        match each.kind:
            case "broker_killed":
                broker.die("lost" if each.value < 0.3 else "saved" if each.value < 0.6 else "kept")
                return lambda _: setattr(broker, "up", True)
            case "broker_frozen":
                self._frozen_until = self.day + each.until
                frozen = [link for link in broker.links if not link.frozen]
                if broker.link is not None:
                    self.monitor.suspended(self._frozen_until)
                for link in frozen:
                    link.freeze()
                return lambda _: _thaw(frozen)
            case "cable_out":
                self._cable_out_until = self.day + each.until
                for link in broker.links:
                    link.cut()
            case "radio_bad":
                share = each.value
                longest = self.random.choice((0.5, 5.0, 180.0))
                broker.radio = Radio(lost=share * 0.3, doubled=share * 0.3, delayed=share, longest=longest)
                return lambda _: setattr(broker, "radio", Radio())
            case "garbage":
                topics = sorted(self.drawn_topics())
                broker.say(topics[int(each.value * len(topics)) % len(topics)], self.random.choice(JUNK), retain=False)
            case _ if each.name:
                command = self.config.gate[each.name].command
                assert command is not None
                broker.say(command.topic, command.open.encode(), retain=True)
                self.shop.deliver(command.topic, command.open.encode(), now)
        return None

    def empty_disk(self, _: float = 0.0) -> None:
        """There is room again."""
        self.disk.room = self.memory.trouble = None

    def _flows(self, daemon: VirtualDaemon) -> None:
        daemon.log.stall(on=False)
        if daemon is self.daemon:
            self.memory.sync()

    def drawn_topics(self) -> set[str]:
        """All topics on which devices speak."""
        config = self.config
        found = {stop.topic for stop in config.stop.values()} | {tool.sensor.topic for tool in config.tool.values()}
        found |= {gate.state.topic for gate in config.gate.values() if gate.state is not None}
        return found | {fan.state.topic for fan in config.collector.values() if fan.state is not None}

    def all_topics(self) -> set[str]:
        """All topics that the daemon listens to because a device is there."""
        return {topic for topic in signals(self.config) if not topic.startswith(self.config.broker.base + "/")}

    def _machine(self, each: Happening, now: float) -> Callable[[float], object] | None:
        daemon, disk = self.daemon, self.disk
        wait = max(0.5, self.day + each.until - now)
        match each.kind:
            case "wall_jumps":
                self.clocks.ahead += each.value
                self._wall_unsure_until = now + 3600  # a daemon that is down does not see it
            case "disk_full":
                disk.room = int(each.value * 400)
                self.memory.trouble = "no space left on device"
                return self.empty_disk
            case "disk_stalls" if daemon is not None:
                daemon.log.stall(on=True)
                self.memory.stalled = True
                return lambda _: self._flows(daemon)
            case "daemon_killed":
                self._restart_wait = lambda: wait
                self._killed()
            case "daemon_killed_deciding" | "daemon_killed_telling" if daemon is not None:
                self._restart_wait = lambda: wait
                daemon.die_at_next = "line" if each.kind == "daemon_killed_deciding" else "command"
            case "daemon_stopped" if daemon is not None:
                daemon.stop(lambda: None)
                self.scheduler.at(now + wait + 1.2, self.start_daemon)
            case "daemon_slow" if daemon is not None:
                daemon.slow(now + min(wait, 5.0))
            case _:
                pass
        return None


def _thaw(links: Sequence[Link]) -> None:
    for link in links:
        link.thaw()


def hash_of(seed: str) -> int:
    """A number that is the same in every process."""
    return Random(seed).getrandbits(32)
