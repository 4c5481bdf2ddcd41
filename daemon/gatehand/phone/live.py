"""Keeps what the page shows: hears the broker, makes the parts again, and hands out what has changed since a version.

There is no queue between a change and a slow phone: whoever asks gets what is newer than what they have, however
often it has changed meanwhile. A first change is handed out at once; in a flood the parts are made once every `GAP`.

What is shown is never taken for the present without a sign of it: the daemon's beat. A fault in wording the parts, or
in hearing, is shown as lost as well.
"""

import asyncio
import json
import time
import traceback
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from typing import Any, Final, TypeAlias

from gatehand.mqtt.client import ClientError
from gatehand.mqtt.hearing import keep_hearing
from gatehand.mqtt.inbox import Message
from gatehand.phone.parts import LOST_AFTER, Part, Stations, parts_of
from gatehand.screen.daemon_status import DaemonStatus
from gatehand.screen.listen import Where

TICK: Final = 1.0
"""Seconds between two makings when nothing is heard, and between two signs of life to each browser."""
LOOK: Final = 0.25
"""Seconds between two looks at whether the daemon's beat still comes: with `LOST_AFTER` it is told within three."""
GAP: Final = 0.02
"""Least seconds between two makings of the parts, however much is heard."""
_MOST_OF_THE_TIME: Final = 0.1
"""The part of the time that making the parts may take in a flood, of a large shop on a small computer."""
SETTLE: Final = 0.3
"""Seconds for what the broker retains, after a connection: until then it would be shown half."""
_AGAIN: Final = 5.0
"""Seconds from a fault in our own program until all that is retained is heard again."""
_MOST_GONE: Final = 256
"""Parts that are gone: a browser that still has them is told of so many, one by one."""
_MOST_SAID: Final = 20
_FAULT: Final = (
    "This page has a fault and shows nothing new. Look at the shop itself; the journal of gatehand page says more."
)

Say: TypeAlias = Callable[[str, str], None]
"""A level ("info", "warning", "error") and a line for the journal."""


class Live:
    """The parts as they are now, each with the version in which it last changed.

    Args:
        base: the daemon's topic.
        stations: gives the tiles of the config in force; None: there is no config.
        caution: gives what the page itself has to say of its config; empty: nothing.
        allow: gives what the config in force lets a paired phone ask for; a change makes browsers ask who they are.
        say: takes a line for the journal.
        wall: the wall clock, seconds.
        mono: the monotonic clock, seconds; that of the messages.
    """

    def __init__(
        self,
        base: str,
        stations: Callable[[], Stations | None],
        *,
        caution: Callable[[], str] = str,
        allow: Callable[[], Sequence[str]] = tuple,
        say: Say = lambda _level, _text: None,
        wall: Callable[[], float] = time.time,
        mono: Callable[[], float] = time.monotonic,
    ) -> None:
        self.status = DaemonStatus(base)
        self.version = 0
        self.on_tick: Callable[[], None] = lambda: None
        """Called every second, while the loop turns."""
        self._beat = f"{base}/daemon/beat"
        self._stations = stations
        self._caution = caution
        self._allow = allow
        self._say = say
        self._said: set[str] = set()
        self._wall = wall
        self._mono = mono
        self._parts: dict[str, tuple[int, str | None]] = {}
        """By key: the version in which it changed, and its JSON; None: it is gone."""
        self._shop: dict[str, Any] = {}
        """The part `shop` but for its clock, which tells the time at which it is handed out."""
        self._whole_from = 0
        """Whoever has an older version gets everything: which parts are gone since is forgotten."""
        self._news = asyncio.Event()
        self._next_at = 0.0
        """When the parts may be made again, by the loop's clock."""
        self._took = 0.0
        """Seconds that the last making took."""
        self._pending: asyncio.TimerHandle | None = None
        self._settling: asyncio.TimerHandle | None = None
        self._is_whole = True
        """What has been heard is all that is retained; else `reached` alone is made again, and the rest stays."""
        self._is_well = False
        self._fault = False
        """In hearing; until all has been heard again."""
        self._unreached = ""
        """Why the broker is not reached, as the journal knows it; empty: it is reached."""
        self.renew()

    async def keep(self, where: Where) -> None:
        """Hear until cancelled."""
        ticking = asyncio.ensure_future(self.keep_ticking())
        try:
            while True:
                try:
                    await keep_hearing(where.settings, (f"{where.base}/#",), self)
                except Exception as error:  # noqa: BLE001 - a fault of ours is told, and shown as lost
                    self._fault = True
                    self._interrupted(error)
                await asyncio.sleep(_AGAIN)
        finally:
            self._unset(self._settling, self._pending)
            ticking.cancel()
            with suppress(asyncio.CancelledError):
                await ticking

    async def keep_ticking(self) -> None:
        """Look whether the daemon is heard, and at what no message brings, until cancelled."""
        due = 0.0
        while True:
            await asyncio.sleep(LOOK)
            now = self._mono()
            if now >= due:
                due = now + TICK
                self.renew()
                self.on_tick()
            elif self._is_well and self.status.silent_for(now) > LOST_AFTER:
                self.renew()

    def connected(self) -> None:
        """See `Ears`. What was shown stays until what is retained has come."""
        self._unset(self._settling, self._pending)
        self._pending = None
        self.status.connected()
        if self._unreached:
            self._unreached = ""
            self._say("info", "connected to the broker")
        self._is_whole = False
        self._settling = asyncio.get_running_loop().call_later(SETTLE, self._settled)

    def _settled(self) -> None:
        self._settling = None
        self._is_whole, self._fault = True, False
        self.renew()

    def hear(self, message: Message) -> None:
        """See `Ears`."""
        self.status.hear(message, self._wall())
        if self.status.online is True and self.status.beat_at is None:
            self.status.beat_at = message.received  # a daemon that never says a beat is not taken for one at work
        if not (self._is_well and message.topic == self._beat):
            self.changed()

    def lost(self, error: ClientError) -> None:
        """See `Ears`."""
        self._interrupted(None)
        self.status.lost(str(error), self._wall())
        self.renew()  # before anything else, which may fail
        why = self.status.lost_because or ""
        if why != self._unreached:  # once, and not at each try
            self._unreached = why
            self._say("warning", f"{why}. This page keeps trying")

    def _interrupted(self, fault: Exception | None) -> None:
        self._unset(self._settling)
        self._settling = None
        if fault is not None:
            self._is_whole = False
            self._tell(fault, "hearing")
            self.renew()

    @staticmethod
    def _unset(*timers: asyncio.TimerHandle | None) -> None:
        for timer in timers:
            if timer is not None:
                timer.cancel()

    def changed(self) -> None:
        """Something may have changed: make the parts again, at once or as soon as they may be."""
        if self._settling is not None or self._pending is not None:
            return
        loop = asyncio.get_running_loop()
        if loop.time() >= self._next_at:
            self.renew()
            self._next_at = loop.time() + max(GAP, self._took / _MOST_OF_THE_TIME)
        else:
            self._pending = loop.call_at(self._next_at, self._now_due)

    def _now_due(self) -> None:
        self._pending = None
        self.changed()

    def wake(self) -> None:
        """Let all who wait for news look whether they should go on."""
        self._news.set()
        self._news = asyncio.Event()

    def renew(self) -> None:
        """Make the parts again; whoever waits is woken when one has changed."""
        if self._settling is not None:
            return
        began = self._mono()
        try:
            made: Mapping[str, Part] = parts_of(self.status, self._stations(), self._wall(), began)
            texts = {key: json.dumps(part, separators=(",", ":")) for key, part in made.items() if key != "shop"}
            well = made["reached"]["state"] == "well"
        except Exception as error:  # noqa: BLE001 - a fault of ours is told, and shown as lost
            self._tell(error, "wording the parts")
            self._take({"reached": _lost()}, {}, whole=False)
            self._is_well = False
            return
        if self._fault:
            texts, well = {"reached": _lost()}, False
        self._is_well = well
        self._take(texts, made["shop"], whole=self._is_whole)
        self._took = self._mono() - began

    def _take(self, texts: Mapping[str, str], shop: Part, *, whole: bool) -> None:
        """Keep what is another than before. Not `whole`: of `reached` alone."""
        wanted = texts if whole else {"reached": texts["reached"]}
        changed: dict[str, str | None] = {
            key: text for key, text in wanted.items() if self._parts.get(key, (0, None))[1] != text
        }
        if whole:
            gone = (key for key, (_, text) in self._parts.items() if text is not None and key not in texts)
            changed |= {key: None for key in gone if key != "shop"}
            told = " ".join(filter(None, (self._caution(), str(shop.get("caution") or ""))))
            own = {**shop, "now": 0.0, "caution": told, "allow": list(self._allow())}
            if changed or own != self._shop:
                self._shop = own
                changed["shop"] = ""  # made when it is handed out
        if not changed:
            return
        self.version += 1
        self._parts |= {key: (self.version, text) for key, text in changed.items()}
        self._forget_gone()
        self.wake()

    def _forget_gone(self) -> None:
        gone = [key for key, (_, text) in self._parts.items() if text is None]
        if len(gone) > _MOST_GONE:
            self._whole_from = self.version
            for key in gone:
                del self._parts[key]

    def _tell(self, error: Exception, when: str) -> None:
        """Once of each kind."""
        text = "".join(traceback.format_exception(error))
        if text not in self._said and len(self._said) < _MOST_SAID:
            self._said.add(text)
            self._say("error", f"a fault of gatehand page in {when}; its pages say that they show nothing new\n{text}")

    def since(self, version: int) -> str:
        """The parts that are newer than a version (0: all), as the data of one server-sent event."""
        if version < self._whole_from:
            version = 0
        newer = {key: text for key, (at, text) in self._parts.items() if at > version and (version or text is not None)}
        if "shop" in newer:
            newer["shop"] = json.dumps({**self._shop, "now": self._wall()}, separators=(",", ":"))
        inside = ",".join(f"{json.dumps(key)}:{text or 'null'}" for key, text in newer.items())
        return f'{{"v":{self.version},"all":{"false" if version else "true"},"parts":{{{inside}}}}}'

    async def newer(self, version: int, within: float) -> bool:
        """Wait until there is something newer than `version` or a `wake`, for `within` seconds at most."""
        if self.version > version:
            return True
        with suppress(TimeoutError):
            async with asyncio.timeout(within):
                await self._news.wait()
        return self.version > version


def _lost() -> str:
    return json.dumps({"state": "lost", "text": _FAULT}, separators=(",", ":"))
