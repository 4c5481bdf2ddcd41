"""A board's heap over hours and days of work and outages: it does not grow. Words of 64 bits: most boards have 32.

The board is alone with a broker in memory, its clock goes as fast as it can, and its tick wraps in the middle.
"""

import json
import os
import subprocess
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any, Final

from board_process import HERE
from outage_shop import settings
from support.micropython import BOARDS, micropython_program

HOURS: Final = float(os.environ.get("GATEHAND_BOARD_HOURS", "0"))
"""Of each role; 0: the sample of every day."""
SECONDS: Final = {"switch": 7200, "gate": 7200, "contact": 7200, "sensor": 1800}
STRETCH, LONG_STRETCH = 20, 4
"""Each pause of the loop is so many times as long as on a board, in the sample and in the long run."""
GROWS: Final = 128
"""Bytes, from the second sixth of the time to the last third: one word a minute, kept for half an hour, is more."""
LIMIT_MS: Final = 50_000


def hours(folder: Path, role: str, seconds: int, stretch: int, *, leak: bool = False, heap: int = 1 << 20) -> Any:  # noqa: ANN401
    """What one board tells of its heap after so much time: 24 figures after a collection, and what it heard and did."""
    folder.mkdir()
    (folder / "settings.json").write_text(json.dumps(settings(role, "main", 1883, LIMIT_MS)))
    path = [HERE / "standins" / "day", HERE / "standins" / "process", HERE / "standins", BOARDS]
    script = [str(path[0] / "day.py"), str(seconds), str(stretch), str(int(leak))]
    ended = subprocess.run(  # noqa: S603
        [micropython_program(), "-X", f"heapsize={heap}", *script],
        cwd=folder,
        env={**os.environ, "MICROPYPATH": ":".join([*map(str, path), ".frozen"])},
        capture_output=True,
        text=True,
        check=False,
    )
    last = ended.stdout.splitlines()[-1:]
    assert last, ended.stderr
    assert last[0].startswith("@"), ended.stdout[-2000:] + ended.stderr
    return json.loads(last[0][1:])


def grown(heap: list[int]) -> int:
    """Bytes by which the least heap of the last third is above that of the second sixth and the third."""
    return min(heap[16:]) - min(heap[4:12])


def test_heap_does_not_grow_over_hours_of_work_outages_and_a_wrap(tmp_path: Path) -> None:
    spans = {role: (int(HOURS * 3600), LONG_STRETCH) if HOURS else (span, STRETCH) for role, span in SECONDS.items()}
    with ThreadPoolExecutor(2) as pool:
        each = list(pool.map(lambda role: hours(tmp_path / role, role, *spans[role]), spans))
    for role, found in zip(spans, each, strict=True):
        heap = found["heap"]
        print(
            f"\n{role}: {spans[role][0] / 3600:g} h, heap grown by {grown(heap)} bytes, {max(heap) - found['before']} "
            f"in use at most after a collection, {found['heard']} messages, {found['greeted']} connections"
        )
        assert grown(heap) <= GROWS, (role, heap)
        # It worked: it said things, and came back after each of its outages.
        assert found["greeted"] > spans[role][0] // 1100
        assert found["heard"] > 2 * found["greeted"]


def test_leak_of_one_word_a_minute_is_seen(tmp_path: Path) -> None:
    found = hours(tmp_path / "gate", "gate", SECONDS["gate"], STRETCH, leak=True)
    assert grown(found["heap"]) > GROWS, found["heap"]
