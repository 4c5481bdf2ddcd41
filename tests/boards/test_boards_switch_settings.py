"""The switch's settings: what is wrong is told with the relay off, and the best timer of the board is taken."""

from collections.abc import Callable
from typing import Any

import pytest
from role_bench import module
from switch_bench import RELAY, SET, STATE, SwitchBench, settings


def _wrong(**other: Any) -> tuple[str, list[tuple[object, ...]]]:  # noqa: ANN401
    """What the settings are told, and what became of the relay until then."""
    with pytest.raises(module("board").WrongSettings) as told:
        SwitchBench(settings(**other))
    return str(told.value), module("world").WORLD.done


@pytest.mark.parametrize(
    ("other", "wanted"),
    [
        ({"limit_ms": None}, "limit_ms is missing or 0; wanted 1 to 86400000: set refresh above 0 in the config"),
        ({"limit_ms": 0}, "limit_ms is missing or 0"),
        ({"limit_ms": -5000}, "limit_ms is -5000; wanted 1 to"),
        ({"limit_ms": 86_400_001}, "limit_ms is 86400001; wanted 1 to"),
        ({"limit_ms": True}, "limit_ms is True; wanted a whole number"),
        ({"limit_ms": "50"}, "limit_ms is '50'; wanted a whole number"),
        ({"limit_ms": 50.5}, "limit_ms is 50.5; wanted a whole number"),
        ({"set": None}, "settings.json: set is missing; wanted a table"),
        ({"set": {"topic": SET, "on": "1"}}, "settings.json: set: off is missing; wanted text"),
        (
            {"set": {"topic": SET, "on": "1", "off": "1"}},
            "settings.json: set: on and off are one word, '1'; wanted two",
        ),
        ({"state": {"topic": STATE, "on": "1"}}, "settings.json: state: off is missing; wanted text"),
        ({"hardware": {"relay": RELAY, "timer": "0"}}, "settings.json: hardware: timer is '0'; wanted a whole number"),
    ],
)
def test_wrong_settings_are_told_with_the_relay_off(other: dict[str, object], wanted: str) -> None:
    told, done = _wrong(**other)
    assert wanted in told
    assert done == [(0, "pin", RELAY, 0)]


@pytest.mark.parametrize(
    ("hardware", "wanted"),
    [
        ({}, "settings.json: hardware: relay is missing; wanted a whole number"),
        ({"relay": "five"}, "settings.json: hardware: relay is 'five'; wanted a whole number"),
        ({"relay": RELAY, "relay_on": 2}, "settings.json: hardware: relay_on is 2; wanted 1 or 0"),
    ],
)
def test_a_relay_whose_off_is_not_known_is_not_driven_at_all(hardware: dict[str, object], wanted: str) -> None:
    told, done = _wrong(hardware=hardware)
    assert wanted in told
    assert done == []


def test_a_pin_that_the_board_does_not_have_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    def no_such_pin(*_: object, **__: object) -> None:
        raise ValueError("invalid pin")

    monkeypatch.setattr(module("switch"), "Pin", type("Pin", (), {"OUT": 1, "__new__": no_such_pin}))
    assert _wrong() == ("settings.json: hardware: relay is 5; this board has no such pin", [])


def _timers(
    monkeypatch: pytest.MonkeyPatch, accepts: Callable[[int, bool], Exception | None]
) -> list[tuple[int, bool]]:
    """A board whose timers refuse what `accepts` says; the list of those that run."""
    running: list[tuple[int, bool]] = []
    plain = module("machine").Timer

    class Timer(plain):  # type: ignore[misc, valid-type]
        def __init__(self, number: int = -1) -> None:
            super().__init__(number)
            self.number = number

        def init(self, *, hard: bool = False, **more: object) -> None:
            refusal = accepts(self.number, hard)
            if refusal is not None:
                raise refusal
            running.append((self.number, hard))
            super().init(**more)

    monkeypatch.setattr(module("switch"), "Timer", Timer)
    return running


@pytest.mark.parametrize(
    ("accepts", "number", "runs"),
    [
        (lambda _number, _hard: None, None, (0, True)),
        (lambda _number, hard: TypeError("extra keyword arguments given") if hard else None, None, (0, False)),
        (lambda _number, hard: ValueError("hard callbacks are not implemented") if hard else None, None, (0, False)),
        (lambda number, _hard: ValueError("no such timer") if number == 0 else None, None, (-1, True)),
        (lambda number, hard: ValueError("no") if number == 0 or hard else None, None, (-1, False)),
        (lambda _number, _hard: None, 3, (3, True)),
    ],
)
def test_the_timer_is_the_best_that_the_board_has(
    monkeypatch: pytest.MonkeyPatch,
    accepts: Callable[[int, bool], Exception | None],
    number: int | None,
    runs: tuple[int, bool],
) -> None:
    running = _timers(monkeypatch, accepts)
    bench = SwitchBench(settings(hardware={"relay": RELAY, "timer": number}))
    assert running == [runs]
    bench.on_for(100)


@pytest.mark.parametrize("number", [None, 7])
def test_a_board_without_a_timer_switches_nothing_and_says_so(
    monkeypatch: pytest.MonkeyPatch, number: int | None
) -> None:
    running = _timers(monkeypatch, lambda _number, _hard: ValueError("no such timer"))
    told, done = _wrong(hardware={"relay": RELAY, "timer": number})
    assert told.startswith(f"settings.json: hardware: timer is {number or 'null'}; wanted the number of a timer")
    assert done == [(0, "pin", RELAY, 0)]
    assert running == []
