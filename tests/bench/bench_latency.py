"""From a reading published by one client to the gate's command received by another, beside bare aiomqtt.

Five programs listen at one broker, and get their rounds in turn, block by block, so that whatever else the machine does
hits all alike: Gatehand with its log on the disk and in memory, and the bare program that only compares and publishes:
as it is, with a line on the disk first, and with that in a thread and under a bound, which is what a log must be that
may not keep a command waiting. Each round crosses a threshold: one reading, one command.
"""

import random
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import bench_shops
from bench_kit import HERE, Client, Figure, Program, Size, mosquitto, quantile, scratch

ROUNDS = 5000
BLOCK = 250
PAUSE = (0.004, 0.008)
"""Seconds between a command and the next reading: what follows a command is done with, as it is in a shop."""
MEMORY = Path("/dev/shm")  # noqa: S108 - a file system in memory, for a log whose sync costs nothing


@dataclass
class Contender:
    """One program and the seconds of its rounds, block by block."""

    prefix: str
    blocks: list[list[float]] = field(default_factory=list)
    running: bool = False

    def at(self, share: float) -> list[float]:
        """That quantile of each block, milliseconds."""
        return [quantile(block, share) * 1000 for block in self.blocks]


def figures(size: Size) -> Iterator[Figure]:
    """The figures."""
    names = ("disk", "memory", "bare", "synced", "bounded")
    ours, in_memory, bare, synced, bounded = everyone = [Contender(name) for name in names]
    with _standing(everyone) as (publisher, listener):
        for block in range(size.of(ROUNDS, 1000) // BLOCK + 1):
            for contender in everyone:
                seconds = [round_of(contender, publisher, listener) for _ in range(BLOCK)]
                if block:  # the first warms up
                    contender.blocks.append(seconds)
    for share, name, most in ((0.5, "p50", 1.8), (0.99, "p99", 1.5)):
        for what, mine, base, theirs, wanted in (
            ("latency {}, log on disk", ours, "aiomqtt, compares and publishes", bare, most),
            ("latency {}, log on disk", ours, "the same, a line on disk first", synced, most),
            ("latency {}, log on disk", ours, "the same, in a thread with a bound", bounded, most),
            ("latency {}, log in memory", in_memory, "aiomqtt, compares and publishes", bare, None),
            ("  what a line on disk costs, {}", synced, "aiomqtt, compares and publishes", bare, None),
        ):
            yield Figure(
                what=what.format(name),
                unit="ms",
                ours=mine.at(share),
                baseline=base,
                theirs=theirs.at(share),
                wanted=None if wanted is None else ("at most", wanted),
            )


def round_of(contender: Contender, publisher: Client, listener: Client) -> float:
    contender.running = not contender.running
    wanted = b"open" if contender.running else b"shut"
    # Never twice the same number: no cache anywhere shall help.
    amps = random.uniform(3, 9) if contender.running else random.uniform(0, 1)
    began = time.perf_counter()
    publisher.say(f"{contender.prefix}/amps", f"{amps:.3f}")
    payload, at = listener.next(f"{contender.prefix}/gate")
    if payload != wanted:
        raise SystemExit(f"{contender.prefix}: {payload!r} came where {wanted!r} is right")
    time.sleep(random.uniform(*PAUSE))
    return at - began


@contextmanager
def _standing(everyone: list[Contender]) -> Iterator[tuple[Client, Client]]:
    """All programs up, at rest, and two clients beside them."""
    ours, in_memory, bare, synced, bounded = everyone
    with ExitStack() as stack:
        folder = stack.enter_context(scratch())
        memory = stack.enter_context(scratch(MEMORY))
        port = stack.enter_context(mosquitto())
        online = stack.enter_context(Client(port, "+/online"))

        def start(contender: Contender, *words: str) -> None:
            said = folder / f"{contender.prefix}.said"
            stack.enter_context(Program(words, folder / "cache", said))

        for contender, home in ((ours, folder), (in_memory, memory)):
            config = bench_shops.write(home / contender.prefix, bench_shops.config(port, contender.prefix))
            start(contender, "-m", "gatehand", "run", "--config", str(config))
        for contender, more in ((bare, ()), (synced, ("line",)), (bounded, ("bounded_line", "thread"))):
            log = (str(folder / more[0]), *more[1:]) if more else ()
            start(contender, str(HERE / "bare_compare.py"), str(port), contender.prefix, *log)
        names = (*(f"own-{each.prefix}" for each in (ours, in_memory)), bare.prefix, synced.prefix, bounded.prefix)
        online.wait_for(*(f"{name}/online" for name in names))
        publisher = stack.enter_context(Client(port))
        listener = stack.enter_context(Client(port, "+/gate"))
        rest(publisher, (ours, in_memory))
        listener.drain(0.5)
        yield publisher, listener


def rest(publisher: Client, contenders: tuple[Contender, ...]) -> None:
    """The fans that may have turned at the start stand, and every tool is heard to be idle."""
    until = time.perf_counter() + 4
    while time.perf_counter() < until:
        for contender in contenders:
            publisher.say(f"{contender.prefix}/amps", "0.1")
        time.sleep(0.2)
