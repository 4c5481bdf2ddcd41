"""Outages of every kind, drawn from a seed, that boards go through together; and what has to hold of them.

What broke a promise is a sentence in `breaches`; nothing in here stops at the first.
"""

import random
import re
from collections.abc import Callable, Mapping
from functools import partial
from pathlib import Path
from typing import Final

from board_process import BoardProcess
from outage_shop import PINS, STEP_MS, Heard, Shop, reading
from support.child import wait_until
from support.mosquitto import Mosquitto

LATE_MS: Final = 100
"""The relay is off by the limit and so much."""
BACK_MS: Final = 2000
"""From the return of the broker until a board is heard again."""
NOTICED_MS: Final = {"kill": 3000, "freeze": 5000, "wifi": 5000}
"""By then every board has given up a connection that is dead, and the relay is off."""
READING_MS: Final = 2000
"""No reading is heard when it is older."""
JOINED_MS: Final = 3000
"""An attempt that the Wi-Fi came too late for ends within a second, the next one takes a second; and a second more."""
TAKES_MS: Final = 5 * STEP_MS
"""From a command's publication to what a board does: a few steps of the clock."""
WAY_MS: Final = 90 * 1000 // 120
"""The servo's whole way by its settings' defaults."""
TRAVEL_MS: Final = WAY_MS + 200
"""The same with its settling."""
WATCHDOG_MS: Final = 8000
"""So long pulses go on where the loop gets no further: they come from the hardware."""
KINDS: Final = ("kill", "freeze", "wifi")
"""What the promise names. `wifi`: it goes, or the air is dead and nobody says so."""
MORE: Final = ("power", "silent_power", "hang")
"""Its own: power cut with the connection reset, or without a word; a loop that gets no further."""


class Run:
    """One shop and its outages.

    Args:
        shop: has been entered.
        seed: of all that is drawn.
    """

    def __init__(self, shop: Shop, seed: int) -> None:
        self.shop = shop
        self.breaches: list[str] = []
        self.back_ms: list[int] = []
        self.off_ms: list[int] = []
        """How much later than the last "on" that may have been taken, over the limit."""
        self.wills = 0
        self.held_presses = 0
        """What a frozen broker had heard before the board could notice, and passed on when it woke."""
        self._draw = random.Random(seed)
        self._asked_on: list[int] = []
        self._asked_gate: list[int] = []
        self._presses: list[int] = []
        self._held: list[int] = []
        """Of each reading that a frozen broker held, when it froze."""
        self._outages: list[tuple[int, int, str]] = []
        self._number = 0
        self._gate = "shut"
        self._emergency = 0
        self._joins = True
        """Whether the boards have to join the Wi-Fi anew."""

    @property
    def held_readings(self) -> int:
        """How many readings a frozen broker had heard already, and passed on when it woke."""
        return len(self._held)

    def begin(self) -> None:
        """Everybody is switched on and connects."""
        self._await_back(-1, 0, "at power-up", list(self.shop.boards))

    def outage(self, kind: str) -> None:
        """One of them, from the work before it to a quiet while after it."""
        shop, draw = self.shop, self._draw
        self._number += 1
        self._work()
        begun = shop.now
        whose, back = self._break(kind)
        self._meanwhile(kind, begun)
        over = shop.now
        back()
        self._outages.append((begun, shop.now, kind))
        told = self._await_back(begun, over, f"outage {self._number} ({kind})", whose)
        if "switch" in shop.boards:
            self._check_off(begun, kind)
        self._check_wills(kind, begun, told, whose)
        shop.go(draw.randrange(500, 1500))
        self._check_contact(begun)
        self._hold_buttons(1)
        self._forget()

    def end(self) -> None:
        """What can be looked at only when all is over."""
        self.shop.go(2500)
        self._check_relay()
        self._check_servo()
        self._check_gate()
        self._check_readings()
        self._check_presses()
        self._check_lives()

    def _broken(self, what: str) -> None:
        self.breaches.append(f"{what} (outage {self._number}, at {self.shop.now} ms)")

    # Before and during

    def _work(self) -> None:
        """The fan is on and the gate moves: commands come until the very moment of the break."""
        shop, draw = self.shop, self._draw
        self._press()
        self._told(shop.now - 300)
        if "switch" in shop.boards:
            self._on()
            shop.until(lambda: shop.boards["switch"].output(PINS["relay"]) == 1, TAKES_MS, "switched on")
        shop.go(draw.randrange(0, 1200))
        if "gate" in shop.boards:
            self._gate = "open" if self._gate == "shut" else "shut"
            shop.listener.say(shop.topic("gate", "set"), self._gate)
            self._asked_gate.append(shop.now)
        if draw.random() < 0.5:
            shop.go(draw.randrange(0, 500))
        if "switch" in shop.boards and draw.random() < 0.5:
            self._on()  # it may be on its way when the line breaks
            shop.go(draw.choice((0, STEP_MS, 2 * STEP_MS)))

    def _on(self) -> None:
        self.shop.listener.say(self.shop.topic("switch", "set"), "1")
        self._asked_on.append(self.shop.now)

    def _break(self, kind: str) -> tuple[list[str], Callable[[], None]]:
        """Break it; which boards must be heard anew, and what mends it."""
        shop, draw = self.shop, self._draw
        everybody = list(shop.boards)
        self._joins = kind not in ("kill", "freeze")
        if kind == "kill":
            shop.answers = False
            shop.broker.kill9()
            # Time stands until everybody has what it said, and that it is gone.
            wait_until(shop.all_closed, what="the dead broker's connections close")
            return everybody, self._revive
        if kind == "freeze":
            shop.answers = False
            shop.broker.sigstop()
            shop.carry()
            shop.hush(hushed=True)
            return everybody, self._thaw
        if kind == "wifi":
            said = self._joins = draw.random() < 0.5
            shop.cut = True
            for role, board in shop.boards.items():
                shop.wires[role].cut(refuses=draw.random() < 0.5)
                board.wifi(there=not said)
            return everybody, self._air
        for role in everybody:
            board = shop.boards[role]
            if kind == "hang":
                board.hang()
            elif kind == "power":
                board.cut_power(off_ms=draw.randrange(100, 4000))
            else:
                shop.wires[role].vanish()
                board.cut_power(off_ms=draw.randrange(100, 4000))
        return everybody, lambda: None

    def _meanwhile(self, kind: str, begun: int) -> None:
        """Commands that must not act later, words that change, and time."""
        shop, draw = self.shop, self._draw
        shop.go(draw.randrange(0, 1000))
        if kind != "kill":
            self._say_old(begun)
        if "contact" in shop.boards and kind in KINDS:
            self._emergency = draw.randrange(2)
            shop.boards["contact"].pin(PINS["emergency"], self._emergency)
            self._press()
        if kind in ("power", "silent_power"):
            shop.until(lambda: all(board.runs for board in shop.boards.values()), 5000, "power is back")
            return
        if kind == "hang":
            shop.until(lambda: all(board.born_at > begun for board in shop.boards.values()), 12_000, "the watchdog")
            return
        shop.go(max(0, begun + NOTICED_MS.get(kind, NOTICED_MS["freeze"]) - shop.now) + draw.randrange(0, 2000))
        self._press()
        if draw.random() < 0.5:
            if kind != "kill":
                self._say_old(begun)
            shop.go(draw.choice((0, STEP_MS, 300)))
        if draw.random() < 0.3:
            self._hold_buttons(0)  # let go only when all is well again: of no such press anything is told

    def _press(self) -> None:
        """The buttons are pressed for a moment."""
        self._presses.append(self.shop.now)
        self._hold_buttons(0)
        self.shop.go(200)
        self._hold_buttons(1)
        self.shop.go(100)

    def _hold_buttons(self, level: int) -> None:
        for role, pin in (("contact", PINS["reset"]), ("gate", PINS["button"])):
            if role in self.shop.boards:
                self.shop.boards[role].pin(pin, level)

    def _say_old(self, begun: int) -> None:
        """Commands that reach the broker and no board, some of them retained there."""
        for role, word in (("switch", "1"), ("gate", "open" if self._gate == "shut" else "shut")):
            if role in self.shop.boards and self.shop.boards[role].born_at <= begun:  # else it is fresh: it is back
                self.shop.listener.say(self.shop.topic(role, "set"), word, qos=1, retain=self._draw.random() < 0.5)

    def _forget(self) -> None:
        for role in ("switch", "gate"):
            self.shop.listener.say(self.shop.topic(role, "set"), "", retain=True)
        self.shop.go(4 * STEP_MS)

    # What mends it

    def _revive(self) -> None:
        self.shop.broker.revive()
        self.shop.listener.connect()
        self.shop.answers = True

    def _thaw(self) -> None:
        self.shop.hush(hushed=False)
        self.shop.broker.sigcont()
        self.shop.answers = True

    def _air(self) -> None:
        self.shop.cut = False
        for role, board in self.shop.boards.items():
            self.shop.wires[role].mend()
            board.wifi(there=True)

    # After

    def _await_back(self, begun: int, over: int, what: str, whose: list[str]) -> int:
        """Everybody is online again and has said how things are; when the last of them had."""
        shop = self.shop
        for role in whose:
            # Where the Wi-Fi or the power was away, the broker is there again once the Wi-Fi is joined.
            try:
                if self._joins:
                    shop.until(partial(self._has_joined, role, begun), JOINED_MS, f"{what}: the Wi-Fi")
                since = self._joined_at(role) - STEP_MS if self._joins else over
                shop.until(partial(self._is_back, role, since), max(0, since + BACK_MS - shop.now), what)
            except AssertionError as late:
                self._broken(f"{role} is not back: {late}{shop.tail(role)}")
                continue
            first = min(one.at for one in shop.words(shop.topic(role, "online"), since) if one.payload == "1")
            self.back_ms.append(first - since)
        return shop.now

    def _has_joined(self, role: str, since: int) -> bool:
        return self._joined_at(role) > since

    def _joined_at(self, role: str) -> int:
        return max((act.at for act in self.shop.boards[role].acts if act.what == "joined"), default=-1)

    def _is_back(self, role: str, since: int) -> bool:
        """Online, with what it is and how things are said anew, and granted its topics: it answers."""
        lasts = ["about"] + ([] if role == "sensor" else ["state"])
        said = [self.shop.words(self.shop.topic(role, last), since) for last in lasts]
        online = self.shop.words(self.shop.topic(role, "online"), since)
        return bool(online) and online[-1].payload == "1" and all(said)

    def _check_off(self, begun: int, kind: str) -> None:
        """Off within the limit of the last "on" that it can have taken, and, where it has its power, not before."""
        shop = self.shop
        switch = shop.boards["switch"]
        on = re.compile(re.escape(shop.topic("switch", "set").encode()) + b"..1", re.DOTALL)
        # A loop that hangs from now on has not read what came just now.
        last = begun - 1 if kind == "hang" else begun
        taken = max(at for at, raw in shop.wires["switch"].brought if at <= last and on.search(raw))
        off = [act.at for act in switch.acts if act.at >= taken and self._is_off(switch, act)]
        if not off:
            self._broken(f"the relay is not off, {shop.now - taken} ms after its last on, {kind}")
            return
        late = off[0] - taken - shop.limit_ms
        self.off_ms.append(late)
        if late > LATE_MS:
            self._broken(f"the relay is off {late} ms after the limit")
        if late < -LATE_MS and kind in KINDS and self._acknowledged(taken):
            self._broken(f"the relay is off {-late} ms before the limit")

    def _acknowledged(self, taken: int) -> bool:
        """Whether the switch said that it is on, after that "on": one on its way at the break may be lost."""
        return any(one.payload == "1" for one in self.shop.words(self.shop.topic("switch", "state"), taken + 1))

    @staticmethod
    def _is_off(_board: BoardProcess, act: "tuple[int, str, int, object]") -> bool:
        return act[1] == "power" or act[1:] == ("pin", PINS["relay"], 0)

    def _check_wills(self, kind: str, begun: int, told: int, whose: list[str]) -> None:
        """Somebody else has heard that they were gone, and hears at last that they are there."""
        shop = self.shop
        for role in whose:
            words = [one.payload for one in shop.words(shop.topic(role, "online"), begun) if one.at <= told]
            if kind == "kill":
                continue  # its broker was dead before it was
            if "0" not in words:
                self._broken(f"nobody heard the will of {role}: {words}")
            else:
                self.wills += 1
            if words[-1:] != ["1"]:
                self._broken(f"{role} is left offline: {words}")

    def _check_relay(self) -> None:
        """Whatever switched on was asked for just before."""
        if "switch" not in self.shop.boards:
            return
        for act in self.shop.boards["switch"].acts:
            if act[1:] == ("pin", PINS["relay"], 1) and not _just_before(act.at, self._asked_on):
                self._broken(f"switched on at {act.at} with nobody asking")

    def _check_servo(self) -> None:
        """Pulses began because of a command just before, and ended when the way was done."""
        if "gate" not in self.shop.boards:
            return
        begun: int | None = None
        for at, what, pin, value in self.shop.boards["gate"].acts:
            pulses = (what, pin) == ("pwm", PINS["servo"]) and value
            if pulses and begun is None:
                begun = at
                if not _just_before(at, self._asked_gate):
                    self._broken(f"the gate moved at {at} with nobody asking")
            elif begun is not None and (what == "power" or ((what, pin) == ("pwm", PINS["servo"]) and not value)):
                if at - begun > TRAVEL_MS + LATE_MS + (WATCHDOG_MS if what == "power" else 0):
                    self._broken(f"pulses from {begun} to {at}")
                begun = None
        if begun is not None:
            self._broken(f"pulses from {begun} on, without an end")

    def _check_gate(self) -> None:
        """It says that it has reached an end only when it has had the time for the way."""
        if "gate" not in self.shop.boards:
            return
        said = self.shop.words(self.shop.topic("gate", "state"), 0)
        for begun in self._asked_gate:
            # A command that was lost leaves it where the next one wants it: it is driven there once more.
            before = [one.payload for one in said if one.at < begun][-1:]
            for one in said:
                if begun <= one.at < begun + WAY_MS and one.payload in ("open", "shut") and before != [one.payload]:
                    self._broken(f"the gate was told to move at {begun} and is {one.payload} at {one.at}")

    def _check_contact(self, since: int) -> None:
        """A contact that is open, or whose wire is broken, is active."""
        if "contact" in self.shop.boards:
            last = self.shop.words(self.shop.topic("contact", "state"), since)[-1:]
            if [one.payload for one in last] != [str(self._emergency)]:
                self._broken(f"the stop contact's level is {self._emergency}, and it says {last}")

    def _check_readings(self) -> None:
        """None is heard late, and none after an outage that was measured before its end."""
        if "sensor" not in self.shop.boards:
            return
        lives = self.shop.boards["sensor"].lives
        for one in self.shop.words(self.shop.topic("sensor", "amps"), 0):
            at, _n = reading(one)
            measured = max(life for life in lives if life <= one.at) + at
            if one.at - measured <= READING_MS and not any(
                measured < over <= one.at for _, over, kind in self._outages if kind in KINDS
            ):
                continue
            if not self._was_the_brokers(one, measured):
                self._broken(f"a reading of {measured} was heard at {one.at}")
        for begun, _, kind in self._outages:
            if self._held.count(begun) > 1:
                self._broken(f"a frozen broker held {self._held.count(begun)} readings; wanted one at most ({kind})")

    def _was_the_brokers(self, one: Heard, measured: int) -> bool:
        """A frozen broker has it in its hands already: nobody can call it back."""
        for begun, over, kind in self._outages:
            if kind == "freeze" and over <= one.at <= over + TAKES_MS and begun - READING_MS < measured < over:
                self._held.append(begun)
                return True
        return False

    def _check_lives(self) -> None:
        """No board began anew but where it was made to."""
        kinds = [kind for _, _, kind in self._outages]
        for role, board in self.shop.boards.items():
            resets = [act for act in board.acts if act.what == "reset"]
            if len(resets) != kinds.count("hang"):
                self._broken(f"{role} began anew {len(resets)} times: {resets}")

    def _told(self, since: int) -> None:
        """While all is well, each press is told."""
        for role, last, words in (("contact", "reset", ["1", "0"]), ("gate", "button", ["1"])):
            if role in self.shop.boards:
                heard = [one.payload for one in self.shop.words(self.shop.topic(role, last), since)]
                if heard != words:
                    self._broken(f"{role} was pressed and says {heard}")

    def _check_presses(self) -> None:
        """A button pressed during an outage is never told after it."""
        for role, last in (("contact", "reset"), ("gate", "button")):
            for one in self.shop.words(self.shop.topic(role, last), 0):
                if any(0 <= one.at - press <= 200 + TAKES_MS for press in self._presses):
                    continue
                if any(
                    kind == "freeze" and over <= one.at <= over + TAKES_MS and self._pressed(begun - TAKES_MS, begun)
                    for begun, over, kind in self._outages
                ):
                    self.held_presses += 1  # it had just shown that it is there
                else:
                    self._broken(f"{role}: a press was told at {one.at}: {one.payload}")

    def _pressed(self, since: int, until: int) -> bool:
        return any(since <= press <= until for press in self._presses)


def _just_before(at: int, asked: list[int]) -> bool:
    return any(0 <= at - one <= TAKES_MS for one in asked)


def play(folder: Path, kinds: list[str], seed: int, limit_ms: int, *, programs: Mapping[str, str] | None = None) -> Run:
    """Outages of these kinds, one after another, in a shop with one board of each role.

    Args:
        folder: for the boards' files.
        kinds: of `KINDS` and `MORE`.
        seed: of all that is drawn.
        limit_ms: the switch's.
        programs: of each role, in place of its own.
    """
    # What the broker says leaves it at once, or it would wait in the computer's network while the boards' time goes on.
    with (
        Mosquitto(["set_tcp_nodelay true"]) as broker,
        Shop(folder, broker, limit_ms=limit_ms, programs=programs) as shop,
    ):
        run = Run(shop, seed)
        run.begin()
        for kind in kinds:
            run.outage(kind)
        run.end()
        return run
