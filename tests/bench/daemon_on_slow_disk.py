"""The daemon with a log disk that stalls at every sync, the double of `bench_stall`. argv: config, seconds."""

import asyncio
import signal
import sys
import time
from pathlib import Path

from gatehand.config import load
from gatehand.journal.disk import RealDisk
from gatehand.shell.daemon import Daemon


class SlowDisk(RealDisk):
    """Stalls where a disk stalls."""

    def __init__(self, stall: float) -> None:
        self.stall = stall

    def sync(self, handle: int) -> None:
        """Wait for the medium, which takes long."""
        time.sleep(self.stall)
        super().sync(handle)


async def main(config: Path, stall: float) -> None:
    daemon = Daemon(load(config), lambda *_: None, disk=SlowDisk(stall))
    asyncio.get_running_loop().add_signal_handler(signal.SIGTERM, daemon.stop)
    await daemon.run()


asyncio.run(main(Path(sys.argv[1]), float(sys.argv[2])))
