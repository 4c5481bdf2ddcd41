"""The conversation of `--watch-for`, in virtual time: a person who does what is asked, and a broker that speaks."""

import asyncio
from collections.abc import Callable, Iterable
from random import Random

from gatehand.listening.observed import Listening
from gatehand.listening.roles import known
from gatehand.listening.watched_page import watched_text
from gatehand.listening.watching import MOST, Watched, watch_for
from gatehand.person import EndOfInput, Typed

Device = Callable[[float, bool], Iterable[tuple[str, str]]]
"""At each tenth of a second: what is said, by whether the machine is on."""


class Shop:
    """The person, the machine and the broker. `ends_at`: when Ctrl-C is pressed, or the input ends."""

    def __init__(self, *devices: Device, ends: EndOfInput | None = None, ends_at: float = 1e9) -> None:
        self.heard = Listening()
        self.said: list[str] = []
        self.asked: list[str] = []
        self._devices = devices
        self._tick = 0
        self._is_on = False
        self._acts: list[tuple[float, Callable[[], Typed | None]]] = []
        if ends is not None:
            self._acts.append((ends_at, lambda: ends))

    def now(self) -> float:
        return self._tick / 10

    def say(self, text: str) -> None:
        self.said.append(text)

    def ask(self, text: str) -> None:
        self.asked.append(text)
        on = " on and leave it on" in text

        def switch() -> None:
            self._is_on = on

        self._acts += [(self.now() + 1.5, switch), (self.now() + 2.5, lambda: "")]

    async def next(self, until: float) -> Typed | None:
        while self.now() < until:
            self._tick += 1
            for device in self._devices:
                for topic, payload in device(self.now(), self._is_on):
                    self.heard.take(topic, payload.encode(), False, self.now())
            due = [one for one in self._acts if one[0] <= self.now()]
            for one in due:
                self._acts.remove(one)
                if (typed := one[1]()) is not None:
                    return typed
        return None


def watched(shop: Shop) -> Watched:
    return asyncio.run(watch_for(shop, shop.heard, "band saw", lambda _: False))


def meter(every: float, topic: str = "saw/meter") -> Device:
    dice = Random(3)

    def speak(at: float, is_on: bool) -> Iterable[tuple[str, str]]:
        if round(at * 10) % round(every * 10) == 0:
            yield topic, f'{{"power": {dice.uniform(1100, 1250) if is_on else 2:.1f}, "voltage": 230.1}}'

    return speak


def on_change(topic: str) -> Device:
    last = [False]

    def speak(_at: float, is_on: bool) -> Iterable[tuple[str, str]]:
        if is_on != last[0]:
            last[0] = is_on
            yield topic, "ON" if is_on else "OFF"

    return speak


def test_a_meter_of_one_second_is_found_in_half_a_minute() -> None:
    shop = Shop(meter(1))
    found = watched(shop)
    assert found.clear
    assert (found.found[0].signal.topic, found.found[0].signal.pointer) == ("saw/meter", "/power")
    assert found.found[0].thresholds is not None
    assert found.found[0].thresholds.wanting == ""
    assert len(found.switched) == 1
    assert shop.now() < 35
    assert shop.asked == [
        "Switch the band saw on and leave it on, then press Enter",
        "Switch the band saw off, then press Enter",
    ]
    assert "Guards on" in shop.said[0]


def test_a_meter_of_ten_seconds_is_waited_for() -> None:
    shop = Shop(meter(10))
    found = watched(shop)
    assert found.clear
    assert found.found[0].back
    assert found.found[0].thresholds is not None
    assert found.found[0].thresholds.wanting == ""
    assert shop.now() < 100


def test_a_contact_that_speaks_only_on_change_is_found() -> None:
    found = watched(Shop(on_change("saw/run"), meter(1, "other/meter")))
    assert found.clear is False or found.found[0].signal.topic in {"saw/run", "other/meter"}
    alone = watched(Shop(on_change("saw/run")))
    assert alone.clear
    assert (alone.found[0].on, alone.found[0].off) == ("ON", "OFF")


def test_what_is_not_clear_is_asked_for_once_more_and_then_left() -> None:
    shop = Shop(meter(1, "a/meter"), meter(1, "b/meter"))
    found = watched(shop)
    assert not found.clear
    assert len(found.switched) == MOST
    assert "Once more" in shop.said[-3]


def test_where_nothing_follows_it_is_asked_once() -> None:
    found = watched(Shop(lambda at, _on: [("clock", f"{at:.1f}")] if round(at * 10) % 10 == 0 else []))
    assert (len(found.switched), found.found) == (1, ())


def test_switched_off_too_early_it_says_what_changed_then() -> None:
    def hasty(at: float, _on: bool) -> Iterable[tuple[str, str]]:
        if round(at * 10) % 10 == 0:
            yield "saw/amps", "6.1" if 13.0 <= at <= 17.0 else "0.1"
            yield "clock", f"{at:.1f}"

    found = watched(Shop(hasty))
    assert [one.topic for one in found.besides] == ["saw/amps"]
    said = " ".join(watched_text(found, known(None, "gatehand"), 80))
    assert "Nothing followed the band saw when you were asked, but at other times saw/amps changed." in said
    assert "Is its meter" not in said


def test_ctrl_c_keeps_what_was_done_before() -> None:
    early = watched(Shop(meter(1), ends=EndOfInput.INTERRUPTED, ends_at=5))
    assert (early.switched, early.found, early.ended) == ((), (), EndOfInput.INTERRUPTED)
    later = watched(Shop(meter(1, "a"), meter(1, "b"), ends=EndOfInput.INTERRUPTED, ends_at=33))
    assert later.ended is EndOfInput.INTERRUPTED
    assert len(later.switched) == 1
    assert len(later.found) >= 2


def test_nobody_there_ends_it_at_once() -> None:
    assert watched(Shop(meter(1), ends=EndOfInput.NOBODY_THERE, ends_at=0)).ended is EndOfInput.NOBODY_THERE
