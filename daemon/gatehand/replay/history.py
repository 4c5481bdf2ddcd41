"""A window of the recording through the rules again: as it was, and beside it through a changed shop.

Each file of the recording replays by itself from the state in its head, to the very decisions that were taken. The
changed run begins with the first file's state carried over by name (as a changed config is in a running daemon) and
goes on through the files as long as nothing is missing between them; after a gap, and at a daemon's start, it takes
the recorded state again.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Final, TypeAlias

from gatehand.config import load_text
from gatehand.past.player import RECORDED, Player
from gatehand.past.replay_devices import RecordedDevices
from gatehand.past.stretches import stretches
from gatehand.recording.format import EPOCH, RecordingError
from gatehand.recording.recording import Listed, Recording, recordings
from gatehand_rules import Outcome, Shop
from gatehand_rules.events import Event
from gatehand_rules.reshape import adopt_shop

if TYPE_CHECKING:
    from gatehand_rules.commands import Command

PATIENCE_MS: Final = 100
"""A recorded item this soon after a deadline takes it along, as the daemon's own timer was late."""
_WHOLE: Final = frozenset({"full", "config", "clock"})
"""Ends of a file after which the next one goes on without a gap."""


Heard: TypeAlias = Callable[[int, Outcome], None]
"""Called with wall ms and an outcome that came to something."""


@dataclass(slots=True)
class History:
    """What was read on the way."""

    files: int = 0
    readings: int = 0
    first_ms: int | None = None
    last_ms: int | None = None
    """Wall time of the first and last item."""
    gaps: int = 0
    """Places where the changed run took the recorded state again."""
    troubles: list[str] = field(default_factory=list)


class Shops:
    """The shops of the recorded configs, each built once."""

    def __init__(self) -> None:
        self._built: dict[str, Shop] = {}

    def of(self, text: str, path: Path) -> Shop:
        """The shop of a config's text as a recording keeps it.

        Raises:
            RecordingError: This version cannot build it.
        """
        found = self._built.get(text)
        if found is None:
            loaded = load_text(text, path, files=False)  # the password of then may be gone, or none of ours
            if loaded.shop is None:
                raise RecordingError(
                    f"{path}: the config that was in force then is refused by this version: {loaded.errors[0]}"
                )
            found = self._built[text] = loaded.shop
        return found


def replay(
    folder: Path,
    heard: Heard,
    *,
    changed: Shop | None = None,
    changed_heard: Heard | None = None,
    since: datetime | None = None,
    until: datetime | None = None,
    progress: Callable[[int], None] = lambda _readings: None,
) -> History:
    """Replay the recording of a window. `progress` hears the number of readings so far.

    What happened before `since` within the first file is played, for the state's sake, but not heard.
    """
    history, shops = History(), Shops()
    run = _Run(history, heard, changed, changed_heard or (lambda _ms, _outcome: None))
    run.since_ms, run.until_ms = _ms(since, 0), _ms(until, 1 << 62)
    for listed, recording in opened(folder, since, until, history):
        try:
            shop = shops.of(recording.head.config, listed.path)
            run.file(recording, shop, progress)
        except RecordingError as error:
            history.troubles.append(str(error))
            run.broken()
        history.troubles += [f"{listed.path}: {damage.length} bytes {damage.why}" for damage in recording.damage]
    return history


def opened(
    folder: Path, since: datetime | None, until: datetime | None, history: History
) -> Iterator[tuple[Listed, Recording]]:
    """The recordings of a window that can be read; the others are among the troubles."""
    for listed in recordings(folder, since, until):
        if listed.trouble:
            history.troubles.append(listed.trouble)
            continue
        try:
            yield listed, Recording(listed.path)
        except (RecordingError, OSError) as error:
            history.troubles.append(str(error))


class _Run:
    """The two runs on their way through the files."""

    def __init__(self, history: History, heard: Heard, changed: Shop | None, changed_heard: Heard) -> None:
        self.since_ms = 0
        self.until_ms = 0
        self._history = history
        self._heard = heard
        self._changed = changed
        self._changed_heard = changed_heard
        self._player: Player | None = None
        self._devices: RecordedDevices | None = None
        self._shop: Shop | None = None
        self._at: tuple[str, bool] = ("", False)
        """Run of the last file, and whether the next one goes on from it."""
        self._wall_ms = 0
        self._commands: list[tuple[int, Command]] = []

    def broken(self) -> None:
        """The next file goes on from nothing."""
        self._at = ("", False)

    def file(self, recording: Recording, shop: Shop, progress: Callable[[int], None]) -> None:
        """Play one file in both runs."""
        head, history = recording.head, self._history
        self._wall_ms = head.wall_ms - head.mono_ms
        recorded = Player(shop, head.state, self._recorded, patience_ms=RECORDED)
        if self._changed is not None:
            self._begin_changed(recording, shop, self._changed)
        history.files += 1
        for stretch in stretches(recording):
            first, last = stretch.first_ms, stretch.last_ms
            if first is None or last is None or first + self._wall_ms >= self.until_ms:
                break
            self._commands = []
            recorded.play(stretch)
            if self._player is not None and self._devices is not None:
                self._devices.follow(self._commands)
                self._player.play(stretch)
            history.readings += stretch.readings
            if history.first_ms is None:
                history.first_ms = max(first + self._wall_ms, self.since_ms)
            history.last_ms = min(last + self._wall_ms, self.until_ms)
            progress(history.readings)
        self._at = (head.run, recording.ended in _WHOLE and not recording.damage)

    def _begin_changed(self, recording: Recording, shop: Shop, changed: Shop) -> None:
        head = recording.head
        goes_on = self._at == (head.run, True) and shop == self._shop
        if goes_on and self._player is not None:
            return
        if self._player is not None:
            self._history.gaps += 1
        state = adopt_shop(shop, changed, head.state, head.mono_ms / 1000).state
        self._devices = RecordedDevices(shop, changed, head.state)
        self._player = Player(changed, state, self._changed_sink, devices=self._devices, patience_ms=PATIENCE_MS)
        self._shop = shop

    def _recorded(self, ms: int, _event: Event, outcome: Outcome) -> None:
        self._commands += [(ms, command) for command in outcome.commands]
        self._hear(self._heard, ms, outcome)

    def _changed_sink(self, ms: int, _event: Event, outcome: Outcome) -> None:
        self._hear(self._changed_heard, ms, outcome)

    def _hear(self, heard: Heard, ms: int, outcome: Outcome) -> None:
        if self.since_ms <= ms + self._wall_ms < self.until_ms:
            heard(ms + self._wall_ms, outcome)


def _ms(when: datetime | None, default: int) -> int:
    return default if when is None else round((when - EPOCH).total_seconds() * 1000)
