"""The second phase: everything is mended, and the shop must work again, promptly, and rest when nothing asks."""

import json
from collections.abc import Container
from random import Random

from sim_alarms import alarm_id, outlived, standing
from sim_broker import Radio
from sim_daemon import IDLE
from sim_happening import Happening
from sim_more import DRAWS
from sim_script import DAY
from sim_world import World
from support.monitor_notes import Breach

PATIENCE = 3700.0
"""Seconds until a budget of starts is surely free again."""
CUT = 6.0
CALM = 60.0 + IDLE + 10.0
"""Seconds after which an alarm that has come and gone too often is over."""
AT_LAST = "after everything was mended and nothing asks"


def mend(world: World) -> None:
    """Faults off: devices healthy and power-cycled, so that they say where they are; broker, disk, daemon up."""
    shop, now = world.shop, world.clocks.now
    world.note("=== everything is mended")
    world.broker.radio = Radio()
    world.broker.up = True
    world.forget_faults()
    for tool in shop.tools.values():
        tool.switch(on=False, at=now)
        tool.stick(now, on=False)
        tool.silence(on=False)
        tool.come_back(now)
        if tool.online is not None:
            tool.online.report(now)
    for fan in shop.collectors.values():
        fan.deaf = False
        fan.weld(now, on=False)
        fan.trip(now, on=False)
        fan.switch_by_hand(on=False, at=now)
        if fan.bin is not None:
            fan.bin.set(active=False, at=now)
        fan.begin(now)
    for table in world.config.collector.values():
        if table.reset is not None:
            world.broker.say(table.reset.topic, table.reset.released.encode(), retain=False)
        shop.deliver(table.command.topic, table.command.off.encode(), now)  # a relay comes up open
    for name, gate in shop.gates.items():
        command = world.config.gate[name].command
        if command is not None and command.topic in world.broker.retained:
            world.broker.say(command.topic, b"", retain=True)
        gate.suffer(None, now)
        if world.config.gate[name].command is None:
            gate.move_by_hand(to_open=False, at=now)
        gate.begin(now)
    for stop in shop.stops.values():
        stop.come_back(now)
        stop.set(active=True, at=now)
        stop.set(active=False, at=now)
    world.step_to(now + 20.0)
    for name in shop.collectors:
        world.broker.say(f"{world.config.broker.base}/collector/{name}/reset", b"", retain=False)


def liveness(world: World, random: Random) -> list[Breach]:
    """Every tool is started once. What did not come, or came late, or did not rest."""
    mend(world)
    found = _rest(world, "after the mending")
    tools = list(world.config.tool)
    random.shuffle(tools)
    for name in tools[:3]:
        found += _cut(world, name) or _rest(world, f"after {name}")
        if found or world.broken:
            break
    return found or _alarms_over(world, tools)


def _alarms_over(world: World, tools: list[str]) -> list[Breach]:
    """No alarm has outlived its cause. One about air stands until a start has gone well: it gets one where it can."""
    for fan in world.config.collector:
        if alarm_id(fan) not in standing(world):
            continue
        plain = [each for each in tools if _fan_of(world, each) == fan and not _by_hand(world, each)]
        if not plain:
            return _outlived(world, {alarm_id(fan)})
        if found := _cut(world, plain[0]) or _rest(world, f"after {plain[0]}"):
            return found
    return _outlived(world)


def _outlived(world: World, forgiven: Container[str] = ()) -> list[Breach]:
    """One that came and went every few seconds is shown for a minute more, and ends with the daemon's next beat."""
    if outlived(world, AT_LAST, forgiven):
        world.step_to(world.clocks.now + CALM)
    return outlived(world, AT_LAST, forgiven)


def _fan_of(world: World, tool: str) -> str:
    table = world.config.tool[tool]
    return table.collector or (world.homes[table.gates[0]] if table.gates else next(iter(world.config.collector)))


def _cut(world: World, name: str) -> list[Breach]:
    """A fresh demand: on within the travel of its gates and a tenth of a second, and the delays of the messages."""
    fan = _fan_of(world, name)
    _move_by_hand(world, name, to_open=True)
    world.step_to(world.clocks.now + 5.0)
    if world.shop.collectors[fan].powered:  # opening the gate by hand was a start
        return _release(world, name)
    began = world.clocks.now
    count = len(world.told)
    world.shop.tools[name].switch(on=True, at=began)
    world.note(f"=== {name} starts")
    world.step_to(began + allowed(world, name, fan))
    command = world.config.collector[fan].command
    on = [at for at, topic, payload in world.told[count:] if topic == command.topic and payload == command.on]
    if not on:
        world.step_to(began + 60.0)
        return [Breach(world.clocks.now, "liveness", f"{name} drew for {allowed(world, name, fan):.3f} s, no on")]
    world.step_to(began + allowed(world, name, fan) + CUT / 2)
    if found := _glitch(world, name, fan):
        return found
    world.step_to(began + allowed(world, name, fan) + CUT)
    if not world.shop.collectors[fan].powered:
        return [Breach(world.clocks.now, "liveness", f"{name} draws and {fan} does not turn")]
    return _release(world, name)


def _glitch(world: World, name: str, fan: str) -> list[Breach]:
    """One word of its sensor or of its switch is wrong while the tool cuts: that ends no cut, and starts none."""
    now, count = world.clocks.now, len(world.told)
    happening = Happening(now - world.day, "fan_blinks", fan, 0.0, world.random.random())
    DRAWS["fan_blinks"].begin(world, happening, now)
    world.step_to(now + 1.5)
    command = world.config.collector[fan].command
    off = any(topic == command.topic and payload == command.off for _, topic, payload in world.told[count:])
    if not off:
        return []
    return [Breach(world.clocks.now, "liveness", f"{name} draws, one word of {fan} was wrong, and it was switched off")]


def _release(world: World, name: str) -> list[Breach]:
    """The cut is over; gates moved by hand are shut once the fan stands, as people should."""
    world.shop.tools[name].switch(on=False, at=world.clocks.now)
    by_hand = _by_hand(world, name)
    fan = _fan_of(world, name)
    until = world.clocks.now + PATIENCE
    starts = [gate for gate in by_hand if world.shop.collectors[fan].powered]
    while starts and world.shop.collectors[fan].powered and world.clocks.now < until and not world.broken:
        world.step_to(world.clocks.now + 5.0)
        if world.clocks.now > until - PATIENCE + 60.0:
            break  # a gate that was opened by hand keeps it on until it is shut by hand
    world.step_to(world.clocks.now + 1.0)
    _move_by_hand(world, name, to_open=False)
    return []


def _by_hand(world: World, tool: str) -> list[str]:
    """The gates that a person moves for it: its own without command, and all of them where the others are too few."""
    fan = _fan_of(world, tool)
    own = [gate for gate, home in world.homes.items() if home == fan]
    few = sum(1 for gate in own if world.config.gate[gate].command) < world.config.collector[fan].min_open
    wanted = own if few else list(world.config.tool[tool].gates)
    return [gate for gate in wanted if world.config.gate[gate].command is None]


def _move_by_hand(world: World, tool: str, *, to_open: bool) -> None:
    now = world.clocks.now
    for gate in _by_hand(world, tool):
        world.remember(Happening(now - world.day, "gate_by_hand", gate))
        world.shop.gates[gate].move_by_hand(to_open=to_open, at=now)


def allowed(world: World, name: str, fan: str) -> float:
    """The longest that a healthy start may take, in seconds."""
    tool = world.config.tool[name]
    own = [gate for gate, home in world.homes.items() if home == fan]
    # A gate is proven by its report; one that cannot, or has not moved since it was told shut, by its travel.
    travel = max(
        (
            world.shop.gates[gate].travel + 0.03
            if world.config.gate[gate].state and world.shop.gates[gate].position(world.clocks.now) != 1.0
            else world.config.gate[gate].travel
            for gate in own
        ),
        default=0.0,
    )
    gap = max((circuit.start_gap for circuit in world.config.circuit.values()), default=0.0)
    messages = 8 * world.broker.latency + 0.1
    return tool.start_after + travel + gap + 0.1 + messages + world.drawn.habits.tools[name].delay + 0.5 * (gap > 0)


def _rest(world: World, when: str) -> list[Breach]:
    """Nothing asks: every collector is switched off and stands, every gate has come to rest."""
    until = world.clocks.now + PATIENCE
    base = world.config.broker.base
    while world.clocks.now < until and not world.broken:
        world.step_to(world.clocks.now + 10.0)
        words = [_word(world, f"{base}/collector/{name}") for name in world.config.collector]
        still = not any(fan.powered for fan in world.shop.collectors.values())
        if still and all(word == "off" for word in words):
            world.step_to(world.clocks.now + 15.0)
            return _gates_at_rest(world, when)
    if world.broken:
        return []
    words = [_word(world, f"{base}/collector/{name}") for name in world.config.collector]
    return [Breach(world.clocks.now, "liveness", f"{when} nothing asks for air, and the collectors are {words}")]


def _gates_at_rest(world: World, when: str) -> list[Breach]:
    found = []
    for name, gate in world.config.gate.items():
        if gate.command is None:
            continue
        if not _told_since(world, gate.command.topic):
            continue  # moved by hand before the mending: what hands have opened at rest is theirs to shut
        fan = world.config.collector[world.homes[name]]
        position = world.shop.gates[name].position(world.clocks.now)
        if fan.rest == "shut" and position != 0.0:
            found.append(
                Breach(world.clocks.now, "liveness", f"{when} {name} stands at {position:g} and should be shut")
            )
    return found


def _told_since(world: World, topic: str) -> bool:
    """Whether it was told anything since the mending."""
    mended = world.day + DAY
    return any(at >= mended and told == topic for at, told, _ in reversed(world.told))


def _word(world: World, topic: str) -> str:
    try:
        return str(json.loads(world.broker.retained.get(topic, b"{}")).get("state"))
    except ValueError:
        return ""
