"""A log disk that stalls: writes, or every sync, take long, and the command still leaves in time.

A command waits for its explanation to be written, but not beyond a bound, and while a stall lasts later commands do not
wait at all; the log then says for how many that was so. It never waits for a sync.
"""

import json
import random
import time
from collections.abc import Iterator

import bench_latency
import bench_shops
from bench_kit import HERE, Client, Figure, Program, Size, mosquitto, quantile, scratch

from gatehand.journal.line import OwnEvent

LIMIT = 0.020
"""Seconds from a reading to its command, whatever the disk does."""
STALL = 1.0
SYNC = 0.3
BLOCK = 20


def figures(size: Size) -> Iterator[Figure]:
    """The figures."""
    blocks, late = _blocks(size, "write", STALL)
    rounds = sum(map(len, blocks))
    if late < rounds // 2:
        raise SystemExit(f"only {late} of {rounds} commands were late for the disk: the disk did not stall")
    for share, name in ((0.5, "p50"), (1.0, "slowest")):
        yield Figure(
            what=f"latency {name} while a line's write takes {STALL:g} s again and again",
            unit="ms",
            ours=[quantile(block, share) * 1000 for block in blocks],
            baseline="the limit",
            theirs=(LIMIT * 1000,),
            wanted=("at most", 1.0),
        )
    blocks, late = _blocks(size, "sync", SYNC)
    yield Figure(
        what=f"latency p50 while each sync takes {SYNC:g} s",
        unit="ms",
        ours=[quantile(block, 0.5) * 1000 for block in blocks],
        baseline="the limit",
        theirs=(LIMIT * 1000,),
        wanted=("at most", 0.5),
    )


def _blocks(size: Size, at: str, stall: float) -> tuple[list[list[float]], int]:
    """Latencies of some blocks of rounds while the disk stalls there, and how many commands were late for it."""
    contender = bench_latency.Contender("stall")
    with scratch() as folder, mosquitto() as port, Client(port, "+/online") as observer:
        config = bench_shops.write(folder / "stall", bench_shops.config(port, contender.prefix))
        command = [str(HERE / "daemon_on_slow_disk.py"), str(config), str(stall), at]
        with Program(command, folder / "cache", folder / "said"):
            observer.wait_for(f"own-{contender.prefix}/online")
            with Client(port) as publisher, Client(port, "+/gate") as listener:
                bench_latency.rest(publisher, (contender,))
                listener.drain(1.0)
                for _ in range(size.of(7, 3)):
                    block = []
                    for _ in range(BLOCK):
                        block.append(bench_latency.round_of(contender, publisher, listener))
                        # Into the stall of the round before, or after it.
                        time.sleep(random.choice((0.02, 1.5 * stall)))
                    contender.blocks.append(block)
        late = 0
        for file in (folder / "stall" / "log").glob("events-*.jsonl"):
            lines = [json.loads(line) for line in file.read_text().splitlines()]
            late += sum(line["late"] for line in lines if line["event"] == OwnEvent.LOG_LATE)
    return contender.blocks, late
