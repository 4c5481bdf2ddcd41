"""A replay without any shortcut: every item and every deadline is stepped. The measure for the fast one."""

from gatehand.past.deadband import whole_ms
from gatehand.past.replay_devices import IdealDevices
from gatehand.past.stretches import Stretch
from gatehand_rules import Outcome, Shop, State, step
from gatehand_rules.commands import Command
from gatehand_rules.events import CollectorReading, Event, Reading, Tick
from gatehand_rules.findings import Finding

Told = tuple[int, Command | Finding]
"""Commands and findings by the millisecond. How many steps one instant took does not matter."""


def items(stretch: Stretch) -> list[tuple[int, Event]]:
    """Everything in the stretch, in its order."""
    found: list[tuple[int, int, Event]] = [(one.order, one.ms, one.event) for one in stretch.others]
    found += [(order, ms, Tick()) for ms, order in zip(stretch.ticks.ms, stretch.ticks.order, strict=True)]
    for name, track in stretch.tracks.items():
        young = track.young or [0] * len(track)
        found += [
            (order, ms, Reading(name, ma / 1000, young=mark == 1))
            for ms, ma, order, mark in zip(track.ms, track.ma, track.order, young, strict=True)
        ]
    for name, track in stretch.motors.items():
        found += [
            (order, ms, CollectorReading(name, ma / 1000))
            for ms, ma, order in zip(track.ms, track.ma, track.order, strict=True)
        ]
    return [(ms, event) for _, ms, event in sorted(found, key=lambda each: each[0])]


def play_plainly(shop: Shop, state: State, stretch: Stretch, devices: IdealDevices | None) -> tuple[State, list[Told]]:
    """Step all of it. Without devices the deadlines wait for the next item, as in a recorded run."""
    told: list[Told] = []

    def keep(ms: int, outcome: Outcome) -> State:
        told.extend((ms, one) for one in (*outcome.findings, *outcome.commands))
        for command in outcome.commands if devices else ():
            devices.take_command(command, ms)  # type: ignore[union-attr]
        return outcome.state

    for ms, event in items(stretch):
        while devices:
            tick = (1 << 62) if state.wake_at is None else whole_ms(state.wake_at)
            if devices.next_ms <= min(tick, ms):
                report, at = devices.pop()
                state = keep(at, step(shop, state, report, at / 1000))
            elif tick < ms:
                state = keep(tick, step(shop, state, Tick(), tick / 1000))
            else:
                break
        state = keep(ms, step(shop, state, event, ms / 1000))
    while devices and devices.next_ms <= (stretch.last_ms or 0):
        report, at = devices.pop()
        state = keep(at, step(shop, state, report, at / 1000))
    return state, in_order(told)


def in_order(told: list[Told]) -> list[Told]:
    """Within one millisecond findings first, then commands."""
    return sorted(told, key=lambda each: (each[0], not isinstance(each[1], Finding)))
