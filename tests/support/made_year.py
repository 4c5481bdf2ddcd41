"""A year of event log and recordings: half a day of simulated work, repeated through the year with shifted clocks.

Run: python tests/support/made_year.py FOLDER [DAYS]   (writes FOLDER/config.toml and FOLDER/log)
"""

import json
import random
import shutil
import sys
import tempfile
from datetime import UTC, datetime, timedelta
from pathlib import Path

if __name__ == "__main__":
    ROOT = Path(__file__).resolve().parents[2]
    sys.path[:0] = [str(ROOT / part) for part in ("rules", "daemon", "tests")]

from msgspec.structs import replace

from gatehand.journal.disk import Disk
from gatehand.recording.format import FrameKind, decode_header, encode_header, frame, frames
from gatehand.recording.recording import recordings
from gatehand.recording.store import Store
from gatehand.simshop import Habits, ToolHabits, Trouble
from gatehand.times import stamp
from support.recorded_shop import MORNING, SHOP, RecordedShop

HALF_DAY_H = 4.0
YEAR = (
    SHOP.replace("bin_full =", 'starts_per_hour = 12\ncurrent = { topic = "shop/fan/amps" }\nbin_full =')
    + """
[upkeep.filter]
every_hours = 40

[upkeep.bin]
every_hours = 6

[circuit.wall]
amps = 20
members = ["band_saw", "collector.main"]
voltage = 230
"""
)


def half_day(folder: Path, seed: int, hours: float = HALF_DAY_H) -> RecordedShop:
    """Cuts and pauses as a small shop has them, and a little trouble."""
    rng = random.Random(seed)
    habits = Habits(
        tools={"band_saw": ToolHabits(inrush=None, every=1.0), "router": ToolHabits(inrush=None, every=1.0)}
    )
    shop = RecordedShop(folder, YEAR, habits=habits).begin()
    end = shop.clocks.now + hours * 3600
    while shop.clocks.now < end:
        tool = rng.choice(["band_saw", "band_saw", "router"])
        trouble = rng.random()
        if trouble < 0.03:
            shop.shop.gates["band_saw"].suffer(Trouble.JAM, shop.clocks.now)
        elif trouble < 0.05:
            shop.say("shop/estop", "1")
            shop.run(20)
            shop.say("shop/estop", "0")
            shop.say("gatehand/collector/main/reset", "1")
        elif trouble < 0.10:
            shop.say("shop/gate/bench/button", "1")
            shop.run(rng.uniform(20, 120))
            shop.say("shop/gate/bench/button", "1")
        for _ in range(rng.randint(1, 4)):
            amps = rng.choice([2.2, 5, 6, 7, 8])
            shop.cut(tool, rng.uniform(4, 90), amps=amps, then=rng.uniform(4, 40))
        shop.shop.gates["band_saw"].suffer(None, shop.clocks.now)
        shop.run(rng.uniform(30, 500))
    shop.end()
    Store(shop.folder, 1 << 30, Disk()).pack_finished()  # as the next start of the daemon does
    return shop


def make_year(folder: Path, days: int = 365, *, recorded_days: int = 130) -> Path:
    """Write it; gives the config's path. The last day is the one before `LAST`."""
    log = folder / "log"
    log.mkdir(parents=True)
    (folder / "config.toml").write_text(YEAR, "utf-8")
    with tempfile.TemporaryDirectory() as place:
        halves = [half_day(_made(Path(place) / str(seed)), seed) for seed in range(2)]
        number = 1
        for back in range(days, 0, -1):
            day = LAST - timedelta(days=back)
            if day.weekday() >= 5:
                continue
            for at, half in enumerate(halves):
                begin = day + timedelta(hours=7 + 6 * at)
                run = f"{begin:%Y%m%dT%H%M%S}-{at:04}"
                _write_lines(log, half, begin, run)
                if back <= recorded_days:
                    number = _write_recordings(log, half, begin, run, number)
    return folder / "config.toml"


LAST = datetime(2026, 3, 6, tzinfo=UTC)


def _made(folder: Path) -> Path:
    folder.mkdir(parents=True)
    return folder


def _write_lines(log: Path, half: RecordedShop, begin: datetime, run: str) -> None:
    shift = begin.timestamp() - MORNING
    files: dict[str, list[str]] = {}
    for path in sorted(half.folder.glob("events-*.jsonl")):
        for raw in path.read_text("utf-8").splitlines():
            line = json.loads(raw)
            line["ts"] = stamp(datetime.fromisoformat(line["ts"]).timestamp() + shift)
            line["run"] = run
            files.setdefault(line["ts"][:10], []).append(json.dumps(line, separators=(",", ":")))
    for day, lines in files.items():
        with (log / f"events-{day}.jsonl").open("a", encoding="utf-8") as file:
            file.write("\n".join(lines) + "\n")


def _write_recordings(log: Path, half: RecordedShop, begin: datetime, run: str, number: int) -> int:
    shift_ms = round((begin.timestamp() - MORNING) * 1000)
    for listed in recordings(half.folder):
        parts = []
        for item in frames(listed.path.read_bytes()):
            assert isinstance(item, tuple)
            kind, payload = item
            if kind is FrameKind.HEADER:
                head = decode_header(payload)
                parts.append(frame(kind, encode_header(replace(head, wall_ms=head.wall_ms + shift_ms, run=run))))
            else:
                parts.append(frame(kind, bytes(payload)))
        (log / f"readings-{number:06}.rec").write_bytes(b"".join(parts))
        number += 1
    return number


if __name__ == "__main__":
    target = Path(sys.argv[1])
    shutil.rmtree(target, ignore_errors=True)
    print(make_year(target, int(sys.argv[2]) if len(sys.argv) > 2 else 365))
