"""What an idle daemon takes: memory and processor time with 10 tools at one reading a second over five minutes.

Beside it the bare program is subscribed to the same topics at the same broker. Three pairs run at once over the same
minutes, so that each figure has a spread.
"""

import time
from collections.abc import Iterator
from contextlib import ExitStack

import bench_shops
from bench_kit import HERE, Client, Figure, Program, Size, mosquitto, scratch

TOOLS, GATES = 10, 6
PAIRS = 3
SETTLE = 15.0
"""Seconds until both have done with their start."""


def figures(size: Size) -> Iterator[Figure]:
    """The figures."""
    seconds = size.of(300, 45)
    with ExitStack() as stack:
        folder, port = stack.enter_context(scratch()), stack.enter_context(mosquitto())
        observer = stack.enter_context(Client(port, "+/online"))
        ours: list[Program] = []
        bare: list[Program] = []
        topics = [f"idle/amps/{i}" for i in range(TOOLS)]
        for pair in range(PAIRS):
            text = bench_shops.config(port, "idle", tools=TOOLS, gates=GATES, own=f"own-{pair}", run_on=10, travel=1.5)
            config = bench_shops.write(folder / str(pair), text)
            for programs, command in (
                (ours, ["-m", "gatehand", "run", "--config", str(config)]),
                (bare, [str(HERE / "bare_listen.py"), str(port), f"bare-{pair}", *topics]),
            ):
                said = folder / f"{pair}.said"
                # A start beforehand compiles; a process that has compiled has taken memory that no later start takes.
                if pair == 0:
                    with Program(command, folder / "cache", said):
                        observer.wait_for("own-0/online" if programs is ours else "bare-0/online")
                programs.append(stack.enter_context(Program(command, folder / "cache", said)))
        publisher = stack.enter_context(Client(port))
        _speak(publisher, topics, SETTLE)
        before = [(mine.cpu_seconds(), other.cpu_seconds()) for mine, other in zip(ours, bare, strict=True)]
        began = time.perf_counter()
        _speak(publisher, topics, seconds)
        took = time.perf_counter() - began
        shares = [
            ((mine.cpu_seconds() - cpu[0]) / took * 100, (other.cpu_seconds() - cpu[1]) / took * 100)
            for mine, other, cpu in zip(ours, bare, before, strict=True)
        ]
        memory = [
            (mine.resident_kb() / 1000, other.resident_kb() / 1000) for mine, other in zip(ours, bare, strict=True)
        ]
    base = "bare aiomqtt, pydantic, structlog"
    yield Figure(
        what="resident memory, idle, 10 tools",
        unit="MB",
        ours=[mine for mine, _ in memory],
        baseline=base,
        theirs=[other for _, other in memory],
        wanted=("at most", 1.12),
    )
    yield Figure(
        what="resident memory, idle, 10 tools",
        unit="MB",
        ours=[mine for mine, _ in memory],
        baseline="the limit",
        theirs=(45.0,),
        wanted=("at most", 1.0),
    )
    for baseline, theirs, wanted in (("the limit", [0.5] * PAIRS, 1.0), (base, [other for _, other in shares], None)):
        yield Figure(
            what=f"share of one core, 10 readings a second, {seconds} s",
            unit="%",
            ours=[mine for mine, _ in shares],
            baseline=baseline,
            theirs=theirs,
            wanted=None if wanted is None else ("at most", wanted),
        )


def _speak(publisher: Client, topics: list[str], seconds: float) -> None:
    """Each topic once a second, one after the other."""
    began = time.perf_counter()
    number = 0
    while (at := began + number / len(topics)) < began + seconds:
        time.sleep(max(0.0, at - time.perf_counter()))
        publisher.say(topics[number % len(topics)], f"{0.1 + number % 7 / 100:.2f}")
        number += 1
