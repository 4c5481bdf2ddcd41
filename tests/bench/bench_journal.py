"""What the log costs: from a line to its place on disk, beside the bare sync; packing, size and reading of recordings.

Run: python tests/bench/bench_journal.py
Each figure stands beside a baseline of the same run: the sync alone for the log, a loop that only walks decoded numbers
for the recording. Best of three passes for rates, all of 1,000 for latencies.
"""

import os
import random
import statistics
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT / part) for part in ("rules", "daemon", "tests/journal")]

from bench_kit import Figure, Size, scratch  # noqa: E402
from journal_support import FakeClock  # noqa: E402
from readings_support import START, TOOLS, interleaved, saw  # noqa: E402

from gatehand.journal.clock import SystemClock  # noqa: E402
from gatehand.journal.line import Stamper  # noqa: E402
from gatehand.journal.writer import EventLog  # noqa: E402
from gatehand.recording.recorder import Recorder  # noqa: E402
from gatehand.recording.recording import Recording, recordings  # noqa: E402
from gatehand_rules.findings import Finding, Happened, Rule  # noqa: E402

ROUNDS = 1000
FINDING = Finding(
    event=Happened.COLLECTOR_ON,
    rule=Rule.DEMAND,
    collector="main",
    facts=(("starts_this_hour", 3), ("starts_per_hour", 12)),
)


def quantiles(name: str, seconds: list[float]) -> None:
    cuts = statistics.quantiles(seconds, n=100)
    print(f"{name:<44} p50 {cuts[49] * 1e3:6.3f} ms   p99 {cuts[98] * 1e3:6.3f} ms")


def bare_sync(folder: Path) -> list[float]:
    handle = os.open(folder / "bare", os.O_WRONLY | os.O_CREAT | os.O_APPEND)
    found = []
    for _ in range(ROUNDS):
        start = time.perf_counter()
        os.write(handle, b"x" * 220 + b"\n")
        os.fdatasync(handle)
        found.append(time.perf_counter() - start)
        time.sleep(0.001)
    os.close(handle)
    return found


def to_disk(folder: Path) -> tuple[list[float], list[float]]:
    """Seconds for handing a line over, and until it is known to be written."""
    clock = SystemClock()
    log = EventLog(folder, stamper=Stamper("bench", clock))
    handed, known = [], []
    for _ in range(ROUNDS):
        start = time.perf_counter()
        ticket = log.append([log.stamper.finding(FINDING, clock.mono())])
        handed.append(time.perf_counter() - start)
        ticket.wait(5)
        known.append(time.perf_counter() - start)
        time.sleep(0.001)
    log.close()
    return handed, known


def best(work: Callable[[], object]) -> float:
    times = []
    for _ in range(3):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return min(times)


def main() -> None:
    with tempfile.TemporaryDirectory(dir=Path.cwd()) as name:
        folder = Path(name)
        quantiles("bare write and fdatasync", bare_sync(folder))
        handed, known = to_disk(folder / "log")
        quantiles("append: the control loop's own time", handed)
        quantiles("append until the loop knows it is on disk", known)
        recording(folder / "readings")


def recording(folder: Path) -> None:
    rng = random.Random(5)
    events = interleaved(rng, [saw(rng, 8 * 3600, 1) for _ in TOOLS], 1)
    log = Recorder(folder, run="bench", clock=FakeClock())
    log.begin("# config", TOOLS, ())
    start = time.perf_counter()
    for now_ms, event in events:
        log.record(now_ms, event, START)
    took = time.perf_counter() - start
    log.close(events[-1][0], "full", within=60)
    listed = recordings(folder)
    size = sum(one.size for one in listed)
    print(f"record: {took / len(events) * 1e6:.2f} us a reading in the control loop, packing beside it")
    each = size / len(events)
    days = 200e6 / (each * 10 * 86_400)
    print(
        f"{len(events):,} readings in {len(listed)} files: {each:.2f} bytes a reading; 200 MB: {days:.0f} days of ten"
    )

    def columns() -> int:
        return sum(len(rows.now_ms) for one in listed for rows in Recording(one.path).blocks())

    def every() -> None:
        for one in listed:
            for _now_ms, _event in Recording(one.path).events():
                pass

    decoded = [(rows.now_ms, rows.value) for one in listed for rows in Recording(one.path).blocks()]

    def walk() -> None:
        for now_ms, value in decoded:
            for _now, _value in zip(now_ms, value, strict=True):
                pass

    for what, work in (
        ("a bare loop over decoded numbers", walk),
        ("decoding to columns", columns),
        ("events one by one", every),
    ):
        print(f"{what:<44} {len(events) / best(work):>12,.0f} readings a second")


def figures(size: Size) -> Iterator[Figure]:
    """For the table of all benchmarks: a line until the control loop knows that it is on disk, beside the bare sync."""
    bare: list[float] = []
    known: list[float] = []
    handed: list[float] = []
    for _ in range(size.of(7, 3)):
        with scratch() as folder:
            bare.append(statistics.median(bare_sync(folder)) * 1e3)
            loop, disk = to_disk(folder / "log")
            handed.append(statistics.median(loop) * 1e3)
            known.append(statistics.median(disk) * 1e3)
    base = "bare write and fdatasync"
    yield Figure(what="log: a line until known to be on disk, p50", unit="ms", ours=known, baseline=base, theirs=bare)
    yield Figure(what="log: what it costs the control loop, p50", unit="ms", ours=handed, baseline=base, theirs=bare)


if __name__ == "__main__":
    main()
