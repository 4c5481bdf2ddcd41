"""The whole suite while the wall clock shows another hour, day and zone: no test may depend on when it runs.

Needs a C compiler; the clock is shifted by a preloaded library, for the tests and for every program that they start.
"""

import os
import shutil
import subprocess
import sys
import time
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Final

HOURS: Final = (
    ("2026-12-07T23:56:00+00:00", "UTC"),
    ("2026-12-08T00:01:00+00:00", "UTC"),
    ("2027-03-28T01:57:00+01:00", "Europe/Berlin"),
    ("2027-10-31T02:56:00+02:00", "Europe/Berlin"),
    ("2027-12-31T23:56:00-03:30", "America/St_Johns"),
    ("2028-02-29T12:00:00+14:00", "Pacific/Kiritimati"),
)
"""Before and after midnight, the hour that is left out and the one that comes twice, the new year, a leap day."""


def at_other_hours(folder: Path, count: int, say: Callable[[str], None]) -> bool:
    """Whether the suite passes at each of the first `count` hours. `folder`: for the library."""
    here = Path(__file__).parent
    library = folder / "wall_clock.so"
    compiler = shutil.which("cc") or "cc"
    subprocess.run(  # noqa: S603 - the compiler of this machine on a file of this folder
        [compiler, "-shared", "-fPIC", "-O1", "-o", library, here / "wall_clock.c", "-ldl"], check=True
    )
    passed = []
    for text, zone in HOURS[:count]:
        shift = round(datetime.fromisoformat(text).timestamp() - time.time())
        ran = subprocess.run(  # noqa: S603 - this Python
            [sys.executable, "-m", "pytest", "-q", "-n", "4", here.parent],
            env={**os.environ, "LD_PRELOAD": str(library), "SHIFT_S": str(shift), "TZ": zone},
            check=False,
        )
        passed.append(ran.returncode == 0)
        say(f"{text} {zone}: {'passed' if passed[-1] else 'broken'}")
    return all(passed)
