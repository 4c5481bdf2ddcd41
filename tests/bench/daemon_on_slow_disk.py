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

    def write(self, handle: int, data: bytes) -> int:
        """Append, which takes long."""
        if self.at == "write" and data.startswith(b"{"):  # a line; a recording's frames have a writer of their own
            time.sleep(self.stall)
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
