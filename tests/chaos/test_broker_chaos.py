"""The real daemon and a real Mosquitto that is killed, frozen, refuses, is replaced by what lies, over and over.

After each round: connected again, nothing leaked, no command acted late, and the collector off once nothing asks. Each
kind three times here; `python -m tests.long broker_chaos` plays forty rounds.
"""

import asyncio
import gc
import os
import time
from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path
from random import Random
from statistics import quantiles

import pytest
from chaos_servers import LIES, DumbServer
from chaos_verdict import Command
from observed_shop import ObservedShop
from support.mosquitto import Mosquitto
from support.quick_shop import BENCH, STOP, quick_shop

from gatehand.config import load
from gatehand.mqtt.failures import Patience
from gatehand.shell.daemon import Daemon

pytestmark = [pytest.mark.broker, pytest.mark.slow]

ROUNDS = int(os.environ.get("GATEHAND_CHAOS_ROUNDS", "15"))
SEED = int(os.environ.get("GATEHAND_CHAOS_SEED", "7"))
PATIENCE = Patience(retry=(0.2, 0.3), refused=0.4, contended=0.5, connect=0.5, answer=0.8)
MOMENT = 0.1
LOOK = 0.05
FAN = "shop/fan/set"
LATEST = 0.6
"""Seconds after its decision within which a command must be seen, the broker's and the observer's time included."""


@dataclass
class Chaos:
    """One daemon, one broker, the devices with their observer, and what the rounds came to."""

    broker: Mosquitto
    observed: ObservedShop
    daemon: Daemon
    folder: Path
    random: Random
    recovery: dict[str, list[float]] = field(default_factory=dict)
    frozen_at: list[float] = field(default_factory=list)
    stood: list[tuple[float, float]] = field(default_factory=list)
    """From when to when this process got no processor: on a busy machine that is nobody's delay."""
    rested: int = 0
    rounds: int = 0

    async def watch_standstills(self) -> None:
        """Until cancelled."""
        last = time.monotonic()
        while True:
            await asyncio.sleep(LOOK)
            now = time.monotonic()
            if now - last > 2 * LOOK:
                self.stood.append((last + LOOK, now))
            last = now

    def apart(self, one: float, other: float) -> float:
        """Seconds between two moments in which this process ran."""
        begin, end = min(one, other), max(one, other)
        return end - begin - sum(max(0.0, min(end, to) - max(begin, since)) for since, to in self.stood)

    async def until(self, true: Callable[[], object], seconds: float, what: str) -> None:
        end = time.monotonic() + seconds
        while not true():
            assert time.monotonic() < end, f"not within {seconds:g} s: {what}"
            await asyncio.sleep(0.01)

    async def recovered(self, kind: str, began: float) -> None:
        """The daemon is connected to the broker as it is now, and so are the devices."""
        engine = self.daemon.engine
        assert engine is not None
        await self.until(lambda: engine.state.connected, 12, f"connected again after {kind}")
        self.recovery.setdefault(kind, []).append(time.monotonic() - began)
        await self.until(lambda: self.observed.connected, 5, "the devices are back")


@asynccontextmanager
async def raised(folder: Path, broker: Mosquitto) -> AsyncIterator[Chaos]:
    """Everything up and at rest."""
    path = folder / "config.toml"
    path.write_text(quick_shop(broker.port, BENCH, STOP, broker="keepalive = 1", collector="refresh = 1"))
    loaded = load(path)
    assert loaded.config is not None
    said: list[str] = []
    daemon = Daemon(loaded, lambda _level, text, _facts=None: said.append(text), patience=PATIENCE)
    with ObservedShop(broker.port, loaded.config) as observed:
        working = asyncio.create_task(daemon.run())
        await asyncio.wait_for(daemon.ready.wait(), 10)
        chaos = Chaos(broker, observed, daemon, folder, Random(SEED))
        watching = asyncio.create_task(chaos.watch_standstills())
        await chaos.until(lambda: not observed.fans_on and observed.told, 5, "the first off")
        try:
            yield chaos
        finally:
            watching.cancel()
            daemon.stop()
            await asyncio.wait_for(working, 10)


async def killed(chaos: Chaos) -> float:
    """SIGKILL; back at once, or after a while."""
    chaos.broker.kill9()
    await asyncio.sleep(chaos.random.choice((0.0, 0.6)))
    await asyncio.to_thread(chaos.broker.start)
    return time.monotonic()


async def frozen(chaos: Chaos) -> float:
    """SIGSTOP for longer than the keepalive; a connection that is given up meanwhile is made anew."""
    chaos.observed.broker_frozen()
    chaos.broker.sigstop()
    chaos.frozen_at.append(time.monotonic())
    await asyncio.sleep(chaos.random.uniform(2.2, 3.0))
    chaos.broker.sigcont()
    chaos.observed.broker_thawed()
    return time.monotonic()


async def refusing(chaos: Chaos) -> float:
    """It comes back and refuses the login, and accepts it later."""
    chaos.broker.stop()
    chaos.broker.configure(anonymous=False)
    await asyncio.to_thread(chaos.broker.start)
    await asyncio.sleep(0.9)
    chaos.broker.stop()
    chaos.broker.configure(anonymous=True)
    await asyncio.to_thread(chaos.broker.start)
    return time.monotonic()


async def dumb(chaos: Chaos) -> float:
    """Something else has the port: it accepts and never answers."""
    chaos.broker.kill9()
    with DumbServer(chaos.broker.port) as server:
        await chaos.until(lambda: server.met, 5, "an attempt at the dumb server")
        await asyncio.sleep(0.6)
    await asyncio.to_thread(chaos.broker.start)
    return time.monotonic()


async def hostile(chaos: Chaos) -> float:
    """Something else has the port and sends what is no MQTT, or is and should not be."""
    chaos.broker.kill9()
    with DumbServer(chaos.broker.port, LIES[chaos.rounds % len(LIES)]) as server:
        await chaos.until(lambda: server.met, 5, "an attempt at the hostile server")
        await asyncio.sleep(0.5)
    await asyncio.to_thread(chaos.broker.start)
    return time.monotonic()


KINDS = {"killed": killed, "frozen": frozen, "login refused": refusing, "no answer": dumb, "hostile": hostile}
JUNK = (b"", b"\xff\xfe", b"nan", b"{", b"1e999", b"[" * 3000, b"open\x00", b"on")


async def one_round(chaos: Chaos, kind: str) -> None:
    """A cut goes on or has ended while it happens; afterwards nothing asks, and the collector must rest."""
    observed = chaos.observed
    cutting = chaos.random.random() < 0.6
    tool = chaos.random.choice(("band_saw", "router"))
    if cutting:
        observed.cut(tool, on=True)
        await chaos.until(lambda: observed.fans_on, 6, f"{tool} is served before it is {kind}")
    for topic in ("shop/band_saw/amps", "shop/gate/band_saw/state", "shop/fan/state", "shop/estop"):
        observed.say(topic, chaos.random.choice(JUNK))
    end_first = chaos.random.random() < 0.5
    if cutting and end_first:
        observed.cut(tool, on=False)
    back = await KINDS[kind](chaos)
    await chaos.recovered(kind, back)
    if cutting and not end_first:
        observed.cut(tool, on=False)
    await chaos.until(lambda: not observed.fans_on, 6, f"nothing asks, the collector is off ({kind})")
    await chaos.until(lambda: observed.told.get(FAN) != "1", 3, "and was switched off")
    await asyncio.sleep(0.1)
    assert not observed.fans_on
    chaos.rested += 1
    chaos.rounds += 1


def late_commands(chaos: Chaos, commands: Sequence[Command]) -> tuple[list[str], list[float]]:
    """Commands seen long after their decision, or without one; an "off" may come at any time.

    Apart from them, when those were decided that left in the very moment in which the broker froze: they were on their
    way, and nothing can call them back.
    """
    late, underway = [], []
    for each in commands:
        if each.payload == "0" or (each.decided is not None and chaos.apart(each.decided, each.came) <= LATEST):
            continue
        if each.decided is not None and any(chaos.apart(each.decided, at) < MOMENT for at in chaos.frozen_at):
            underway.append(each.decided)
        else:
            late.append(str(each))
    return late, underway


def descriptors() -> int:
    gc.collect()
    return len(list(Path("/proc/self/fd").iterdir()))


async def test_whatever_the_broker_does_the_daemon_comes_back_and_the_collector_rests(
    tmp_path: Path, tell: Callable[[str], None]
) -> None:
    with Mosquitto() as broker:
        async with raised(tmp_path, broker) as chaos:
            kinds = list(KINDS)
            for kind in kinds:  # every kind once, so that whatever is made once and kept is there
                await one_round(chaos, kind)
            await asyncio.sleep(1.0)
            before, tasks = descriptors(), len(asyncio.all_tasks())
            for number in range(len(kinds), ROUNDS):
                await one_round(chaos, kinds[number % len(kinds)])
            await asyncio.sleep(1.0)
            after, tasks_after = descriptors(), len(asyncio.all_tasks())
        verdict = chaos.observed.judged(tmp_path)
        late, underway = late_commands(chaos, verdict.commands)
        breaches = [b for b in verdict.monitor.breaches if all(abs(b.at - at) > 0.001 for at in underway)]
        everything = sorted(seconds for each in chaos.recovery.values() for seconds in each)
        cuts = quantiles(everything, n=100, method="inclusive")
        tell(f"{chaos.rounds} rounds; recovery p50 {cuts[49]:.2f} s, p99 {cuts[98]:.2f} s")
        for kind, each in chaos.recovery.items():
            tell(
                f"  {kind}: {len(each)} rounds, median {sorted(each)[len(each) // 2]:.2f} s, longest {max(each):.2f} s"
            )
        tell(f"  descriptors {before} -> {after}, tasks {tasks} -> {tasks_after}")
        tell(
            f"  {len(verdict.commands)} commands, {len(late)} late ({len(underway)} more were on their way in the "
            f"moment of a freeze), breaches {len(breaches)}"
        )
        tell(f"  ended with the collector off: {chaos.rested} of {chaos.rounds}")
        assert chaos.rested == chaos.rounds == ROUNDS
        assert after <= before
        assert tasks_after <= tasks
        assert late == []
        if breaches:
            tell("what the observer had seen:\n" + chaos.observed.before(breaches[0].at))
        assert [str(each) for each in breaches] == []
