"""The daemon with a log disk that stalls, the double of `bench_stall`. argv: config, seconds, "write" or "sync"."""

import asyncio
import signal
import sys
import time
from pathlib import Path

from gatehand.config import load
from gatehand.journal.disk import Disk
from gatehand.shell.daemon import Daemon


class SlowDisk(Disk):
    """Stalls where a disk stalls."""

    def __init__(self, stall: float, at: str) -> None:
        self.stall = stall
        self.at = at
        self.well_until = 0.0

    def write(self, handle: int, data: bytes) -> int:
        """Append; of a line, after a stall and as long a rest. A recording's frames have a writer of their own."""
        if self.at == "write" and data.startswith(b"{") and time.monotonic() >= self.well_until:
            time.sleep(self.stall)
            self.well_until = time.monotonic() + self.stall
        return super().write(handle, data)

    def sync(self, handle: int) -> None:
        """Wait for the medium, which takes long."""
        if self.at == "sync":
            time.sleep(self.stall)
        super().sync(handle)


async def main(config: Path, stall: float, at: str) -> None:
    daemon = Daemon(load(config), lambda *_: None, disk=SlowDisk(stall, at))
    asyncio.get_running_loop().add_signal_handler(signal.SIGTERM, daemon.stop)
    await daemon.run()


asyncio.run(main(Path(sys.argv[1]), float(sys.argv[2]), sys.argv[3]))
