"""What a replay costs, beside loops that only parse or decode the same file. One core, processor time.

Run: python tests/bench/bench_replay.py [HOURS]

The shop: ten tools at one reading a second, the daemon's tick every second, and during the day's working hours (8 of
24) some 40 cuts an hour. Two sources: a logger's CSV file, and the recording of the same readings.
"""

import csv
import random
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT / part) for part in ("rules", "daemon", "tests/journal")]

from bench_kit import Figure, Size  # noqa: E402
from journal_support import FakeClock  # noqa: E402

from gatehand.config import load_text  # noqa: E402
from gatehand.measures import measures_of  # noqa: E402
from gatehand.past.csv_readings import read_csv  # noqa: E402
from gatehand.past.deadband import whole_ms  # noqa: E402
from gatehand.past.replay_devices import IdealDevices  # noqa: E402
from gatehand.recording.recorder import Recorder  # noqa: E402
from gatehand.recording.recording import Recording, recordings  # noqa: E402
from gatehand.replay.compare import compare  # noqa: E402
from gatehand.replay.history import replay  # noqa: E402
from gatehand.replay.play_csv import play  # noqa: E402
from gatehand_rules import Shop, initial, step  # noqa: E402
from gatehand_rules.events import BrokerConnected, Event, Reading, Tick  # noqa: E402

TOOLS, GATES = 10, 6
CUTS_AN_HOUR = 40
WORK = range(8, 16)
BEGIN_MS = 100_000
WANTED = 300_000


def config() -> str:
    """Ten tools on six gates, half of which report."""
    text = 'collector.main.command = { topic = "fan/set", on = "1", off = "0" }\n'
    text += 'collector.main.state = { topic = "fan/state", on = "1", off = "0" }\n'
    for gate in range(GATES):
        text += f'[gate.g{gate}]\ncommand = {{ topic = "g{gate}/set", open = "open", shut = "shut" }}\n'
        text += f'state = {{ topic = "g{gate}/state", open = "open", shut = "shut" }}\n' if gate % 2 else ""
    for tool in range(TOOLS):
        text += f'[tool.tool_{tool}]\ngates = ["g{tool % GATES}"]\ncurrent = {{ topic = "t{tool}/a" }}\n'
        text += "start_amps = 2.5\n"
    return text


def day(hours: float) -> list[tuple[int, int, float]]:
    """(ms, tool, ampere) in the order of arrival."""
    rng = random.Random(7)
    until = [0] * TOOLS
    found = []
    for second in range(round(hours * 3600)):
        if second // 3600 % 24 in WORK and rng.random() < CUTS_AN_HOUR / 3600:
            until[rng.randrange(TOOLS)] = second + rng.randint(5, 90)
        for tool in range(TOOLS):
            amps = rng.gauss(7, 0.5) if second < until[tool] else abs(rng.gauss(0.05, 0.02))
            found.append((BEGIN_MS + second * 1000 + 97 * tool + rng.randint(0, 3), tool, round(amps, 3)))
    return found


def record(folder: Path, shop: Shop, readings: list[tuple[int, int, float]]) -> None:
    """As the daemon does: everything stepped and recorded, devices answering, a tick every second."""
    clock = FakeClock()
    recorder = Recorder(folder, run="run1", clock=clock, threaded=False)
    recorder.begin(config(), [tool.name for tool in shop.tools], ["main"])
    state, devices, now = initial(shop, BEGIN_MS / 1000), IdealDevices(shop), BEGIN_MS

    def give(event: Event, ms: int) -> None:
        nonlocal state, now
        now = max(now, ms)
        clock.at += now / 1000 - clock.monotonic
        clock.monotonic = now / 1000
        recorder.record(now, event, state)
        outcome = step(shop, state, event, now / 1000)
        state = outcome.state
        for command in outcome.commands:
            devices.take_command(command, now)

    give(BrokerConnected(), BEGIN_MS)
    beat = BEGIN_MS
    for ms, tool, amps in readings:
        while True:
            wake = (1 << 62) if state.wake_at is None else whole_ms(state.wake_at) + 1
            first = min(wake, devices.next_ms, beat)
            if first > ms:
                break
            if first == devices.next_ms:
                event, at = devices.pop()
                give(event, at)
            else:
                beat += 1000 if first == beat else 0
                give(Tick(), first)
        give(Reading(f"tool_{tool}", amps), ms)
    recorder.close(now)


def write_csv(path: Path, readings: list[tuple[int, int, float]]) -> None:
    with path.open("w", encoding="utf-8", newline="") as file:
        file.write("t_s,tool,amps\n")
        file.writelines(f"{ms / 1000:.3f},tool_{tool},{amps}\n" for ms, tool, amps in readings)


def parse_only(path: Path) -> None:
    """The bare loop: every line parsed, nothing done."""
    with path.open(encoding="utf-8", newline="") as file:
        rows = csv.reader(file)
        next(rows)
        for row in rows:
            float(row[0])
            float(row[2])


def decode_only(folder: Path) -> None:
    """The bare loop over a recording: every row decoded and looked at, nothing done."""
    for listed in recordings(folder):
        for rows in Recording(listed.path).blocks():
            for ms, stream, value in zip(rows.now_ms, rows.stream, rows.value, strict=True):
                _ = ms, stream, value


def seconds(work: Callable[[], object], passes: int = 3) -> float:
    """Least processor time of some passes."""
    best = float("inf")
    for _ in range(passes):
        begin = time.process_time()
        work()
        best = min(best, time.process_time() - begin)
    return best


def figures(size: Size) -> Iterator[Figure]:
    """For the table of all benchmarks: readings a second, ours and the bare loops in turn."""
    shop = load_text(config(), Path("config.toml")).shop
    assert shop is not None
    readings = day(size.of(24, 4))
    measures = measures_of(shop.tools)
    rates: dict[str, list[float]] = {"csv": [], "bare csv": [], "recording": [], "bare recording": []}
    with tempfile.TemporaryDirectory() as place:
        folder, table = Path(place) / "log", Path(place) / "day.csv"
        record(folder, shop, readings)
        write_csv(table, readings)
        works: dict[str, Callable[[], object]] = {
            "csv": lambda: play(read_csv(table, measures), shop, lambda _ms, _finding: None),
            "bare csv": lambda: parse_only(table),
            "recording": lambda: replay(folder, lambda _ms, _outcome: None),
            "bare recording": lambda: decode_only(folder),
        }
        for _ in range(size.of(7, 3)):
            for name, work in works.items():
                rates[name].append(len(readings) / seconds(work, passes=1))
    for name, what, base in (
        ("recording", "replay of a recording, readings a second", "a bare loop that only decodes it"),
        ("csv", "replay of a CSV file, readings a second", "a bare loop that only parses it"),
    ):
        yield Figure(what=what, unit="", ours=rates[name], baseline=base, theirs=rates[f"bare {name}"])
        limit = (float(WANTED),)
        yield Figure(what=what, unit="", ours=rates[name], baseline="the limit", theirs=limit, wanted=("at least", 1.0))


def main() -> int:
    """Measure and print; 1 when the recording is replayed slower than wanted."""
    hours = float(sys.argv[1]) if len(sys.argv) > 1 else 24.0
    shop = load_text(config(), Path("config.toml")).shop
    assert shop is not None
    readings = day(hours)
    measures = measures_of(shop.tools)
    with tempfile.TemporaryDirectory() as place:
        folder, table = Path(place) / "log", Path(place) / "day.csv"
        record(folder, shop, readings)
        write_csv(table, readings)
        count = len(readings)
        bare_csv = seconds(lambda: parse_only(table))
        from_csv = seconds(lambda: play(read_csv(table, measures), shop, lambda _ms, _finding: None))
        bare = seconds(lambda: decode_only(folder))
        once = seconds(lambda: replay(folder, lambda _ms, _outcome: None))
        both = seconds(lambda: compare(folder, shop, None, None))
    print(f"{count:,} readings of {hours:g} h, {TOOLS} tools; best of three, processor time of one core")
    print(f"{'':<44} {'s':>7} {'readings/s':>12} {'of the bare loop':>17}")
    for name, took, base in (
        ("CSV, parsed only", bare_csv, bare_csv),
        ("CSV, replay --readings", from_csv, bare_csv),
        ("recording, decoded only", bare, bare),
        ("recording, replayed", once, bare),
        ("recording, replayed through both configs", both, bare),
    ):
        print(f"{name:<44} {took:>7.2f} {count / took:>12,.0f} {took / base:>17.1f}")
    return 0 if count / once >= WANTED else 1


if __name__ == "__main__":
    raise SystemExit(main())
