"""A year of event log and recordings: two pieces of simulated work, repeated through the year with shifted clocks.

Run: python tests/support/made_year.py FOLDER [DAYS]   (writes FOLDER/config.toml and FOLDER/log)
"""

import json
import random
import shutil
import sys
import tempfile
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path

if __name__ == "__main__":
    ROOT = Path(__file__).resolve().parents[2]
    sys.path[:0] = [str(ROOT / part) for part in ("rules", "daemon", "tests")]

from msgspec.structs import replace

from gatehand.journal.disk import Disk
from gatehand.recording.format import FrameKind, decode_header, encode_header, frame, frames
from gatehand.recording.recording import recordings
from gatehand.recording.store import Store
from gatehand.simshop.gate import GateTrouble
from gatehand.simshop.sim_shop import Habits
from gatehand.simshop.tool import ToolHabits
from gatehand.times import stamp
from support.recorded_shop import MORNING, SHOP, RecordedShop

PIECE_H = 2.0
BEGINS = (7, 10, 13, 16)
"""Hours of the day at which a piece of work begins."""
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


def worked(folder: Path, seed: int, hours: float = PIECE_H) -> RecordedShop:
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
            shop.shop.gates["band_saw"].suffer(GateTrouble.JAM, shop.clocks.now)
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
        pieces = [worked(_made(Path(place) / str(seed)), seed) for seed in range(2)]
        number = 1
        for back in range(days, 0, -1):
            day = LAST - timedelta(days=back)
            if day.weekday() >= 5:
                continue
            for at, hour in enumerate(BEGINS):
                piece, begin = pieces[at % len(pieces)], day + timedelta(hours=hour)
                run = f"{begin:%Y%m%dT%H%M%S}-{at:04}"
                write_lines(log, piece, begin, run)
                if back <= recorded_days:
                    number = write_recordings(log, piece, begin, run, number)
    return folder / "config.toml"


LAST = datetime(2026, 3, 6, tzinfo=UTC)


def _made(folder: Path) -> Path:
    folder.mkdir(parents=True)
    return folder


def write_lines(log: Path, piece: RecordedShop, begin: datetime, run: str) -> None:
    """The events of a piece of work into the log, as if it had begun then."""
    shift = begin.timestamp() - MORNING
    files: dict[str, list[str]] = {}
    for moment, text in _lines(piece.folder):
        ts = stamp(moment + shift)
        files.setdefault(ts[:10], []).append(text.replace("@ts", ts, 1).replace("@run", run, 1))
    for day, lines in files.items():
        with (log / f"events-{day}.jsonl").open("a", encoding="utf-8") as file:
            file.write("\n".join(lines) + "\n")


@cache
def _lines(folder: Path) -> tuple[tuple[float, str], ...]:
    """The lines of a piece of work: when, and the line with places for its time and its run."""
    lines = []
    for path in sorted(folder.glob("events-*.jsonl")):
        for raw in path.read_text("utf-8").splitlines():
            line = json.loads(raw)
            moment = datetime.fromisoformat(line["ts"]).timestamp()
            lines.append((moment, json.dumps({**line, "ts": "@ts", "run": "@run"}, separators=(",", ":"))))
    return tuple(lines)


def write_recordings(log: Path, piece: RecordedShop, begin: datetime, run: str, number: int) -> int:
    """Its readings likewise, in files from `number` on; the next number."""
    shift_ms = round((begin.timestamp() - MORNING) * 1000)
    for listed in recordings(piece.folder):
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
