"""Edits, power cuts, stuck resets, what devices hold back, floods, glitches, wrong words: one table, one line each.

A line says how a happening is drawn and what it does to the world; `on = False` leaves it out of every day.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from random import Random
from typing import TYPE_CHECKING, TypeAlias

from sim_edits import names_for
from sim_happening import Happening

from gatehand.config import Config
from gatehand.config.signals import TopicSource
from gatehand.simshop.device import Reporter

if TYPE_CHECKING:
    from sim_world import World

End: TypeAlias = Callable[[float], object] | None
Begin: TypeAlias = Callable[["World", Happening, float], End]

WORDS = (b"perhaps", b"OPENED", b"yes", b"true", b'{"state": "maybe"}', b"  ", b"half")
STUCK_EVERY = 0.1
GLITCH = 0.2
"""Seconds between a switch's wrong word and the right one."""


@dataclass(frozen=True, slots=True)
class Draw:
    """One kind of happening."""

    begin: Begin
    names: Callable[[Config], Sequence[str]] = lambda _config: [""]
    lasts: tuple[float, ...] = (0.0,)
    after: tuple[float, float] = (-5.0, 15.0)
    """Seconds after the beginning of what it is drawn near to."""
    near: tuple[str, ...] = ()
    """Kinds that it is drawn near to; none: any."""
    at_end: bool = False
    """Near to the end of those instead of the beginning."""
    then: tuple[str, ...] = ()
    """What often follows within a few seconds."""
    on: bool = True


def fault(draw: Draw, kind: str, found: Sequence[Happening], config: Config, random: Random) -> list[Happening]:
    """One of this kind, near to something of the day."""
    names = list(draw.names(config))
    if not names or not found:
        return []
    near = [each for each in found if each.kind in draw.near] or list(found)
    chosen = random.choice(near)
    at = max(5.0, (chosen.until if draw.at_end and chosen.until else chosen.at) + random.uniform(*draw.after))
    name = chosen.name if chosen.name in names and random.random() < 0.6 else random.choice(names)
    until = at + random.choice(draw.lasts)
    drawn = [Happening(round(at, 3), kind, name, round(until, 3), round(random.random(), 4))]
    for other in draw.then:
        begins, back_after = at + random.uniform(0.2, 40), random.choice((0.6, 5))
        drawn.append(Happening(round(begins, 3), other, "", round(begins + back_after, 3), round(random.random(), 4)))
    return drawn


# What each of them does


def _edit(world: "World", each: Happening, _now: float) -> End:
    edited = world.edited
    edited.begin(each)
    if world.save() is None:
        edited.end(each)  # it was refused, and whoever made it takes it back
        world.save()
        return None

    def back(_: float) -> None:
        edited.end(each)
        if world.save() is None:
            edited.undo()
            world.save()

    return back


def _power_cut(world: "World", each: Happening, now: float) -> End:
    """Daemon and broker go down together. Often with a hold just asked for, and a tool that is used afterwards."""
    memory, back_after = ("lost", "saved", "kept")[int(each.value * 30) % 3], max(0.1, world.day + each.until - now)
    later = world.scheduler.at
    if each.value > 0.4:
        tool = list(world.config.tool)[int(each.value * 97) % len(world.config.tool)]
        for name in world.config.collector:
            world.happen(Happening(each.at, "hold_asked", name))
            reset = Happening(each.at, "reset", name)
            later(now + back_after + 300.0, lambda reset=reset: world.happen(reset))  # type: ignore[misc]
        at = round(each.at + back_after + 200.0, 3)
        later(now + back_after + 200.0, lambda: world.happen(Happening(at, "cut", tool, at + 20.0)))
    later(now + 1.0, lambda: world.cut_power(memory, back_after))
    return None


def _reset_sticks(world: "World", each: Happening, now: float) -> End:
    until = world.day + each.until

    def again(at: float) -> None:
        name = world.edited.name_now("collector", each.name) or each.name
        world.broker.say(f"{world.config.broker.base}/collector/{name}/reset", b"", retain=False)
        if at + STUCK_EVERY < until:
            world.scheduler.at(at + STUCK_EVERY, lambda: again(at + STUCK_EVERY))

    again(now)
    return None


def _reset_pressed(world: "World", each: Happening, now: float) -> End:
    """A press; held for longer than two seconds it is a button that something leans on."""
    button = world.config.collector[each.name].reset
    if button is None:
        return None
    held = 0.05 if each.value < 0.1 else 0.6 if each.value < 0.7 else 6.0
    _say_word(world, button, button.released, now)
    world.scheduler.at(now + 0.3, lambda: _say_word(world, button, button.pressed, now))
    world.scheduler.at(now + 0.3 + held, lambda: _say_word(world, button, button.released, now))
    return None


def _say_word(world: "World", heard: TopicSource, word: str, at: float, *, retain: bool = False) -> None:
    reporter = Reporter()
    reporter.word(heard, word, at, retain=retain)
    for sent in reporter.drain():
        world.broker.say(sent.topic, sent.payload, retain=retain)


def _held_back(world: "World", each: Happening, _now: float) -> End:
    """A device loses its network, keeps what it wants to say, and says it as if it were new: all of it, or the last."""
    topic = world.config.tool[each.name].sensor.topic
    if topic in world.holding:
        return None
    world.holding[topic] = []

    def late(at: float) -> None:
        held = world.holding.pop(topic, [])
        for n, sent in enumerate(held if each.value < 0.5 else held[-1:]):
            world.scheduler.at(at + 0.01 * n, lambda sent=sent: world.speak(sent))  # type: ignore[misc]

    return late


def _flood(world: "World", each: Happening, now: float) -> End:
    """The broker drops most of what it has for the daemon. Often it is then that somebody presses a stop."""
    world.broker.flooded = 0.3 + 0.7 * each.value
    stops = list(world.shop.stops.values())
    if stops and each.value > 0.4:
        stop = stops[int(each.value * 97) % len(stops)]

        def press(*, active: bool) -> None:
            stop.set(active=active, at=world.clocks.now)
            world.speak_now()

        world.scheduler.at(now + 1.0, lambda: press(active=True))
        world.scheduler.at(now + 30.0, lambda: press(active=False))
        for name in world.config.collector:
            reset = Happening(each.at, "reset", name)
            world.scheduler.at(now + 40.0, lambda reset=reset: world.happen(reset))  # type: ignore[misc]
    return lambda _: setattr(world.broker, "flooded", 0.0)


def _frozen(world: "World", each: Happening, now: float) -> End:
    """The daemon's process stands: longer than `daemon_slow`, and with people who go on pressing."""
    if world.daemon is not None and world.daemon.alive:
        world.daemon.slow(now + min(10.0, world.day + each.until - now))
    return None


def _fan_blinks(world: "World", each: Happening, now: float) -> End:
    """One sample of nothing, or one contrary word of the switch and the right one after it."""
    fan, model = world.config.collector[each.name], world.shop.collectors[each.name]
    sensor = fan.motor_sensor
    if sensor is not None and (each.value < 0.5 or fan.state is None):
        reporter = Reporter()
        reporter.reading(sensor, 0.0 if model.turns else fan.turns_at * 2, now)
        reporter.reading(sensor, model.reads(now), now)
        wrong, right = reporter.drain()
        world.broker.say(wrong.topic, wrong.payload, retain=False)
        world.scheduler.at(now + 0.5, lambda: world.broker.say(right.topic, right.payload, retain=False))
    elif fan.state is not None:
        on = model.powered
        state = fan.state
        _say_word(world, state, state.off if on else state.on, now)
        world.scheduler.at(now + GLITCH, lambda: _say_word(world, state, state.on if model.powered else state.off, now))
    return None


def _dead_gate(world: "World", each: Happening, now: float) -> End:
    """The gate has no power any more; the broker still has its "open" of long ago."""
    gate = world.config.gate[each.name]
    if gate.state is None:
        return None
    reporter = Reporter()
    reporter.word(gate.state, gate.state.open, now, retain=True)
    world.broker.retained[gate.state.topic] = reporter.drain()[0].payload
    return world.break_gate(each.name, now)


def _stop_gone(world: "World", each: Happening, now: float) -> End:
    """The device at a stop loses its power or its network; whoever presses the stop meanwhile is not heard."""
    stop = world.shop.stops[each.name]
    stop.drop(now)
    return stop.come_back


def _wrong_word(world: "World", each: Happening, _now: float) -> End:
    topics = sorted(world.all_topics())
    topic = topics[int(each.value * 7919) % len(topics)]
    world.broker.say(topic, WORDS[int(each.value * 101) % len(WORDS)], retain=False)
    return None


def _all_names(config: Config, kind: str) -> Sequence[str]:
    return names_for(kind, {each: list(getattr(config, each)) for each in ("tool", "gate", "collector", "stop")})


def _edit_draw(kind: str, *, on: bool = True) -> Draw:
    def names(config: Config) -> Sequence[str]:
        return _all_names(config, kind)

    return Draw(_edit, names, (30, 300, 3000), (-10.0, 40.0), ("cut", "stop_pressed", "hold_asked"), on=on)


def _fans(config: Config) -> Sequence[str]:
    return list(config.collector)


_HOLDS = ("stop_pressed", "hold_asked")

DRAWS: dict[str, Draw] = {
    "edit_thresholds": _edit_draw("edit_thresholds"),
    "edit_travel": _edit_draw("edit_travel"),
    "edit_list": _edit_draw("edit_list"),
    "edit_limits": _edit_draw("edit_limits"),
    "edit_remove": _edit_draw("edit_remove"),
    "edit_rename": _edit_draw("edit_rename"),
    "power_cut": Draw(_power_cut, lasts=(0.2, 5, 60), after=(0.0, 60.0), near=(*_HOLDS, "cut")),
    "reset_sticks": Draw(_reset_sticks, _fans, (1, 5, 40), (-20.0, 1.0), _HOLDS, at_end=True),
    "reset_pressed": Draw(
        _reset_pressed,
        lambda config: [name for name, fan in config.collector.items() if fan.reset is not None],
        after=(-3.0, 20.0),
        near=_HOLDS,
        at_end=True,
    ),
    "held_back": Draw(_held_back, lambda config: list(config.tool), (6, 15, 15, 90, 400), (-6.0, 1.0), ("cut",)),
    "flood": Draw(_flood, lasts=(2, 20), near=("cut",), after=(-1.0, 8.0)),
    "frozen": Draw(_frozen, lasts=(1.2, 3, 6), near=("cut", "hand_asked", "press", "reset"), after=(-1.5, 0.3)),
    "fan_blinks": Draw(_fan_blinks, _fans, near=("cut",), after=(2.0, 20.0)),
    "dead_gate": Draw(
        _dead_gate,
        lambda config: [name for name, gate in config.gate.items() if gate.state is not None],
        (60, 600),
        (-30.0, 1.0),
        ("cut",),
        then=("daemon_killed",),
    ),
    "wrong_word": Draw(_wrong_word),
    "stop_gone": Draw(
        _stop_gone,
        lambda config: [name for name, stop in config.stop.items() if stop.online is not None],
        (1, 20, 300),
        (-30.0, 5.0),
        ("stop_pressed", "cut"),
    ),
}
MORE = tuple(kind for kind, draw in DRAWS.items() if draw.on)
