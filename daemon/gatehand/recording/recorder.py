"""The recording of all that the rules are given: in from the control loop, out to files by one thread of its own.

Its own thread, because packing an hour must not keep a command's explanation waiting. `record` costs about a
microsecond and never blocks on the disk. What could not be recorded leaves a file that ends there, and a new one with a
header of its own: each file replays by itself.
"""

import contextlib
import threading
import time
from collections.abc import Sequence
from pathlib import Path

from msgspec import to_builtins

from gatehand import own_version
from gatehand.journal.clock import Clock
from gatehand.journal.disk import Disk
from gatehand.journal.threads import Health, Job, Worker
from gatehand.recording.format import FrameKind, Header, frame
from gatehand.recording.store import Store
from gatehand.recording.streams import EVENT_BYTES, MAX_STEP_MS, EventColumns, Streams, encode_live
from gatehand_rules.events import Event
from gatehand_rules.state import State

FILE_MS = 3_600_000
_FRAME_EVENTS = 1 << 12
_FLUSH_EVERY = 1.0
_RETRY_MS = 10_000
_QUEUE_LIMIT = 4_000
_CLOSE_WITHIN = 5.0
_BREATH = 0.001


class Recorder:
    """Records events for replay. `begin` first, and again after each change of the config; then `record`; then `close`.

    `health` hears of trouble. `threaded=False` writes within the call, for a simulation.
    `limit_mb=0` records nothing.
    """

    def __init__(
        self,
        folder: Path,
        *,
        run: str,
        clock: Clock,
        limit_mb: float = 200,
        disk: Disk | None = None,
        health: Health | None = None,
        threaded: bool = True,
    ) -> None:
        self._run_id = run
        self._clock = clock
        self._off = limit_mb <= 0
        self._store = Store(
            folder, int(limit_mb * 1_000_000), disk or Disk(), self._breathe if threaded else lambda: None
        )
        self._health = health or Health()
        self._config = ""
        self._streams = Streams((), ())
        self._gathered = EventColumns()
        self._guard = threading.Lock()
        self._due = ""
        """Why the next event begins a new file though one is open; empty when it does not."""
        self._is_open = False
        self._opened_ms = 0
        self._bytes = 0
        self._failed = False
        """Set by the thread: the file is lost, begin another."""
        self._failed_ms: int | None = None
        self._closing = threading.Event()
        threaded = threaded and not self._off
        self._worker = Worker("recorder", self._do, threaded=threaded, idle=self.flush, every=_FLUSH_EVERY)
        if not self._off:
            self._worker.give(self._pack)

    def begin(self, config: str, tools: Sequence[str], collectors: Sequence[str]) -> None:
        """The next event begins a new file under this config text and these names, in the shop's order."""
        self._config = config
        self._streams = Streams(tools, collectors)
        self._due = "config"

    def clock_stepped(self) -> None:
        """The next event begins a new file, whose header pairs the clocks anew."""
        self._due = "clock"

    def record(self, now_ms: int, event: Event, before: State) -> None:
        """Record an event that the rules are given at `now_ms` in the state `before`."""
        if self._is_ready(now_ms, before):
            self._add(now_ms, *self._streams.place(event), event)

    def record_suction(self, now_ms: int, collector: str, pascals: float, before: State) -> None:
        """Record what its suction sensor says, which the rules are not given; it leads to no file of its own."""
        if self._is_open and not self._due and self._is_ready(now_ms, before):
            place = self._streams.place_suction(collector, pascals)
            if place is not None:
                self._add(now_ms, *place, None)

    def _is_ready(self, now_ms: int, before: State) -> bool:
        """Whether a file is open for what comes now, which is the first to come after the state `before`."""
        if self._off:
            return False
        if self._failed:
            self._note_failure(now_ms)
        if self._failed_ms is not None and now_ms - self._failed_ms < _RETRY_MS:
            return False
        if (
            not self._is_open
            or self._due
            or now_ms - self._opened_ms >= FILE_MS
            or self._bytes >= self._store.live_most
        ):
            self._next_file(now_ms, before)
        return True

    def _add(self, now_ms: int, stream: int, value: int, event: Event | None) -> None:
        with self._guard:
            last_ms = self._gathered.now_ms[-1] if self._gathered.now_ms else now_ms
            if not 0 <= now_ms - last_ms <= MAX_STEP_MS or len(self._gathered) >= _FRAME_EVENTS:
                self._seal()
            self._gathered.add(now_ms, stream, value, event)
        self._bytes += EVENT_BYTES

    def flush(self) -> None:
        """Hand over what has gathered; by itself that happens within a second."""
        with self._guard:
            self._seal()

    def close(self, now_ms: int, why: str = "shutdown", within: float = _CLOSE_WITHIN) -> bool:
        """Finish the file; False when the disk took longer than `within` seconds. Packing is left to the next start."""
        if self._off:
            return True
        self._finish(why, now_ms)
        self._closing.set()
        return self._worker.end(within)

    def _note_failure(self, now_ms: int) -> None:
        self._failed = False
        self._failed_ms = now_ms
        self._is_open = False
        with self._guard:
            self._gathered = EventColumns()

    def _next_file(self, now_ms: int, before: State) -> None:
        self._finish(self._due or "full", now_ms)
        # The pair of clocks is read here, the rest of the header is made by the thread.
        wall_ms = round(self._clock.wall() * 1000) - round(self._clock.mono() * 1000) + now_ms
        config, streams = self._config, self._streams
        self._worker.give(
            lambda: self._store.open(
                Header(
                    run=self._run_id,
                    wall_ms=wall_ms,
                    mono_ms=now_ms,
                    tools=streams.tools,
                    collectors=streams.collectors,
                    config=config,
                    made_by=own_version(),
                    state_json=to_builtins(before, order="deterministic"),
                )
            )
        )
        self._is_open, self._due, self._opened_ms, self._bytes = True, "", now_ms, 0
        self._failed_ms = None

    def _finish(self, why: str, now_ms: int) -> None:
        if self._is_open:
            self.flush()
            self._worker.give(lambda: self._end(why, now_ms))
            self._is_open = False

    def _seal(self) -> None:
        """Under the guard: hand over what has gathered."""
        gathered = self._gathered
        if not gathered.now_ms:
            return
        self._gathered = EventColumns()
        if self._worker.waiting >= _QUEUE_LIMIT:
            self._fail("more readings wait for the disk than may")
        else:
            self._worker.give(lambda: self._store.put(frame(FrameKind.LIVE, encode_live(gathered))))

    def _end(self, why: str, now_ms: int) -> None:
        self._store.put(frame(FrameKind.END, f"{now_ms} {why}".encode()))
        self._store.leave()
        if why != "shutdown":
            self._pack()

    def _pack(self) -> None:
        # What cannot be packed is read as it is, and tried again after the next file.
        with contextlib.suppress(OSError):
            self._store.pack_finished()
            self._store.drop_oldest()

    def _do(self, job: Job) -> None:
        try:
            job()
        except OSError as error:
            self._fail(error.strerror or str(error))
            with contextlib.suppress(OSError):
                self._store.leave()
        else:
            if not self._failed:
                self._health.is_now(None)

    def _fail(self, why: str) -> None:
        self._failed = True
        self._health.is_now(f"{self._store.folder}: readings cannot be recorded ({why}); a replay will have a gap here")

    def _breathe(self) -> None:
        """Between slices of packing: give the control loop the interpreter. Once closing, hurry."""
        if not self._closing.is_set():
            time.sleep(_BREATH)
