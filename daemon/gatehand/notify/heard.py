"""What the broker says, as which alarms are active: for `telling`. Pure: time is passed in, no MQTT library.

Of the daemon itself: a clean stop empties `<base>/daemon` before it says "0" on `<base>/online`; of a daemon that dies
the broker says the "0", and its claim stays. A broker that comes back may have forgotten all that it retained; then
what was active before is in doubt until the daemon has been heard, which says all of it again.
"""

from collections.abc import Callable, Collection
from typing import Final

from msgspec import Struct

from gatehand.notify.entry import GONE, LOST, OWN, entry_id, entry_of, own_entry
from gatehand.notify.telling import Telling
from gatehand.screen.daemon_status import printable
from gatehand.shell.claim import read_claim
from gatehand.times import local_clock, stamp

SETTLES: Final = 5.0
"""Seconds after a connection, and after the daemon's word on it, for what is retained or said again."""
_LOOK: Final = (
    "Look at the shop: a collector that was on may still be on, and until the daemon is back Gatehand switches "
    "nothing. Then look at the daemon's computer: `systemctl status gatehand`, `journalctl -u gatehand`."
)
_LOOK_FOR_BROKER: Final = (
    "Look at the network, and at the broker and its computer. Until the connection is back, no other alarm is heard."
)
_DEPTH: Final = 2
_MOST_ODD: Final = 100


class Graces(Struct, frozen=True):
    """For how many seconds something is active before it is told."""

    alarm: float = 5.0
    broker: float = 60.0


class Heard:
    """One daemon's shop.

    Args:
        base: the topic below which the daemon speaks.
        telling: is told what comes and goes.
        graces: how long each may last untold.
        say: a line for the journal.
    """

    def __init__(self, base: str, telling: Telling, graces: Graces, say: Callable[[str], None]) -> None:
        self._base, self._telling, self._graces, self._say = base, telling, graces, say
        self.connected_at: float | None = None
        """None: there is no connection."""
        self._online: bool | None = None
        self._heard_at: float | None = None
        """When `online` was heard first on this connection."""
        self._live = False
        """The last word on `online` was said while we heard."""
        self._claimed: bool | None = None
        """Whether somebody claims the shop. False: that was taken back, as at a clean stop. None: nothing said."""
        self._was_there = False
        """The daemon has been there, and has not stopped cleanly since."""
        self._doubted: set[str] = {each for each in telling.active if each not in OWN}
        self._odd: set[str] = set()

    @property
    def topics(self) -> tuple[str, ...]:
        """What has to be heard."""
        return tuple(f"{self._base}/{each}" for each in ("alarm/+", "online", "daemon"))

    # The connection

    def connected(self, now: float, wall: float) -> None:
        """The topics are heard; what is retained comes next. `now`: monotonic seconds; `wall`: wall seconds."""
        self._telling.went(LOST, now, stamp(wall))
        self.connected_at, self._online, self._heard_at, self._live, self._claimed = now, None, None, False, None
        self._doubted = {each for each in self._telling.active if each not in OWN}

    def lost(self, why: str, now: float, wall: float) -> None:
        """The connection could not be made, or is lost."""
        self.connected_at = None
        if self._online is False and GONE not in self._telling.active:
            return  # the daemon had stopped cleanly: its computer may have been switched off for the night
        because = f"No connection to the broker: {printable(why)}."
        self._raise(LOST, because.replace("..", "."), now, wall)

    # Messages

    def hear(self, topic: str, payload: bytes, *, retained: bool, now: float, wall: float) -> None:
        """A message below the base."""
        parts = topic.removeprefix(f"{self._base}/").split("/")
        if parts == ["online"]:
            self._hear_online(payload, now, retained=retained)
        elif parts == ["daemon"]:
            self._hear_claim(payload)
        elif len(parts) == _DEPTH and parts[0] == "alarm" and parts[1] not in OWN:
            self._hear_alarm(parts[1], payload, now, wall)
        self.pass_time(now, wall)

    def _hear_online(self, payload: bytes, now: float, *, retained: bool) -> None:
        if payload not in {b"1", b"0"}:
            return
        self._online, self._live = payload == b"1", not retained
        self._heard_at = now if self._heard_at is None else self._heard_at
        if self._online:
            self._was_there = True
            self._claimed = self._claimed or None  # what another took back before is not this one's

    def _hear_claim(self, payload: bytes) -> None:
        if not payload:
            self._claimed = False
        elif (claim := read_claim(payload)) is not None and not claim.asks:
            self._claimed = True

    def _hear_alarm(self, level: str, payload: bytes, now: float, wall: float) -> None:
        if not payload:
            gone = entry_id(level)
            self._doubted.discard(gone)
            self._telling.went(gone, now, stamp(wall))
            return
        entry = entry_of(level, payload)
        if entry is None:
            self._say_odd(level)
            return
        self._doubted.discard(entry.id)
        self._telling.came(entry, now, self._graces.alarm, stamp(wall))

    def _say_odd(self, level: str) -> None:
        topic = f"{self._base}/alarm/{entry_id(level)}"
        if topic not in self._odd and len(self._odd) < _MOST_ODD:
            self._odd.add(topic)
            self._say(f"ignored a message on {topic!r}: found something else, wanted a JSON object of at most 64 kB")

    # Time

    def pass_time(self, now: float, wall: float) -> None:
        """What time alone shows; then what is due is due."""
        if self.connected_at is not None:
            self._look_at_daemon(now, wall)
            if self._doubted and now >= self._settles_at():
                for id_ in self._doubted if self._heard_at is not None else ():
                    self._telling.went(id_, now, stamp(wall))
                self._doubted = self._doubted if self._heard_at is None else set()
        self._telling.pass_time(now, self.in_doubt(now))

    def in_doubt(self, now: float) -> Collection[str]:
        """Ids of which it is not known yet whether they are active still."""
        settling = self.connected_at is not None and now < self.connected_at + SETTLES
        return self._doubted if settling else ()

    def wake_at(self, now: float) -> float:
        """The next moment at which time alone changes something."""
        if self.connected_at is not None and now < self._settles_at():
            return min(self._settles_at(), self._telling.wake_at(self.in_doubt(now)))
        return self._telling.wake_at()

    def _settles_at(self) -> float:
        """When the broker has said what it retains: what the daemon has not said again by then is over."""
        return max(self.connected_at or 0.0, self._heard_at or 0.0) + SETTLES

    def _look_at_daemon(self, now: float, wall: float) -> None:
        settled = now >= (self.connected_at or 0.0) + SETTLES
        why = None
        unsaid = self._claimed or (self._live and self._claimed is None)
        if self._online is False and unsaid and (self._live or settled):
            why = "it left the broker without a goodbye, so it was killed, hangs, or has lost its network"
        elif self._online is None and self._was_there and settled:
            why = "the broker was away, and the daemon has not come back to it"
        if why is not None:
            seen = f"The daemon has been gone since {local_clock(round(wall * 1000))}: {why}."
            self._raise(GONE, seen, now, wall)
        elif self._online or (self._online is False and (settled or self._live)):
            self._was_there = bool(self._online)
            self._telling.went(GONE, now, stamp(wall))

    def _raise(self, id_: str, because: str, now: float, wall: float) -> None:
        """One of our own; it keeps its beginning, over a restart of ours too."""
        known = self._telling.active.get(id_)
        if known is not None and id_ == GONE:
            return
        then, grace = (_LOOK, self._graces.alarm) if id_ == GONE else (_LOOK_FOR_BROKER, self._graces.broker)
        since = stamp(wall) if known is None else known.entry.since
        self._telling.came(own_entry(id_, since, because, then), now, grace, stamp(wall))
