"""From the start of the process until its subscriptions stand, beside the bare program, started in turn.

Both say so themselves, on a topic of their own, after the broker has acknowledged their subscriptions. Processor time
up to then is shown beside it: what else the machine does hardly touches it.
"""

import time
from collections.abc import Iterator
from pathlib import Path

import bench_shops
from bench_kit import HERE, Client, Figure, Program, Size, mosquitto, scratch

TOOLS, GATES = 10, 6


def words(port: int, folder: Path) -> dict[str, list[str]]:
    """Both programs, as they are started, by the topic level on which they say that they are there."""
    config = bench_shops.write(folder / "ours", bench_shops.config(port, "ours", tools=TOOLS, gates=GATES))
    topics = [f"ours/amps/{i}" for i in range(TOOLS)]
    return {
        "own-ours": ["-m", "gatehand", "run", "--config", str(config)],
        "bare": [str(HERE / "bare_listen.py"), str(port), "bare", *topics],
    }


def figures(size: Size) -> Iterator[Figure]:
    """The figures."""
    took: dict[str, list[float]] = {"own-ours": [], "bare": []}
    used: dict[str, list[float]] = {"own-ours": [], "bare": []}
    with scratch() as folder, mosquitto() as port, Client(port, "+/online") as observer:
        programs = words(port, folder)
        for run in range(size.of(21, 5) + 1):
            for name, command in programs.items():
                with Program(command, folder / "cache", folder / f"{name}.said") as program:
                    while observer.next(f"{name}/online")[0] != b"1":
                        pass
                    seconds, cpu = time.perf_counter() - program.began, program.cpu_seconds()
                if run:  # the first compiles
                    took[name].append(seconds)
                    used[name].append(cpu)
    base = "bare aiomqtt, pydantic, structlog"
    for what, found, wanted in (
        ("start until subscribed", took, 1.35),
        ("processor time until subscribed", used, None),
    ):
        yield Figure(
            what=what,
            unit="s",
            ours=found["own-ours"],
            baseline=base,
            theirs=found["bare"],
            wanted=None if wanted is None else ("at most", wanted),
        )
    yield Figure(
        what="start until subscribed",
        unit="s",
        ours=took["own-ours"],
        baseline="the limit",
        theirs=(1.0,),
        wanted=("at most", 1.0),
    )
