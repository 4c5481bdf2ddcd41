"""The simulated shop on real MQTT: its devices listen and speak as an ordinary client of the broker.

The only place where the models meet the event loop and the clock. People and mishaps are played by messages too, on
topics of their own (`sim/NAME/INPUT`). What cannot be taken says why; nothing that a client sends can break the shop.
"""

import asyncio
import time
from collections.abc import Callable, Mapping
from contextlib import suppress
from typing import Final

from gatehand.journal.sentences import spoken
from gatehand.measures import says
from gatehand.mqtt.client import PlainClient
from gatehand.mqtt.payload import LARGEST_AMPS, LARGEST_WATTS, Reader, Rejected, UnknownWord, excerpt
from gatehand.simshop.device import Sent
from gatehand.simshop.gate import GateTrouble
from gatehand.simshop.sim_shop import SimShop
from gatehand_rules.words import Measure

_SIM: Final = "sim/"
FAULT_TOPICS: Final = f"{_SIM}+/+"
FAULT_INPUTS: Final = {
    "switch": "tool",
    "jam": "gate",
    "move": "gate",
    "press": "stop",
    "hand": "collector",
    "weld": "collector",
    "block": "gate",
    "clog": "collector",
    "amps": "tool",
    "watts": "tool",
}
"""Each with the kind of device that has it."""
OVERDUE: Final = 5.0
"""Of a clogged filter, where 1 is a dirty one by the config."""
_LARGEST: Final[Mapping[str, float]] = {Measure.AMPS: LARGEST_AMPS, Measure.WATTS: LARGEST_WATTS}
_SWITCHED: Final = {"1": True, "0": False, "on": True, "off": False, "open": True, "shut": False}


def is_fault_input(topic: str) -> bool:
    """Whether the topic plays people or mishaps."""
    return topic.startswith(_SIM)


def take_fault_input(shop: SimShop, topic: str, payload: bytes, now: float) -> str:
    """Do what the message asks; gives what happened, or why nothing did."""
    _, name, word = topic.split("/", 2)
    if word not in FAULT_INPUTS:
        return f"{topic}: there is no such input {word!r}; there are {', '.join(FAULT_INPUTS)}."
    kind = FAULT_INPUTS[word]
    names: Mapping[str, object] = getattr(shop, f"{kind}s")
    if name not in names:
        return f"{topic}: there is no {kind} {name!r}; there are {', '.join(names)}."
    if word in _LARGEST:
        return _drawing(shop, topic, payload, now)
    on = Reader().read_word(payload, _SWITCHED)
    if not isinstance(on, bool):
        shown = on.text if isinstance(on, UnknownWord) else excerpt(payload)
        return f"{topic}: found {shown!r}; wanted 1 or 0."
    return _switched(shop, word, name, on, now)


def _drawing(shop: SimShop, topic: str, payload: bytes, now: float) -> str:
    """A tool on, its sensor reading so much."""
    _, name, word = topic.split("/", 2)
    tool, said = shop.tools[name], spoken(name)
    if tool.measure != word:
        other = "switch" if tool.measure is Measure.RUNNING else tool.measure
        return f"{topic}: the sensor of {said} says {tool.measure}; publish to {_SIM}{name}/{other}."
    value = Reader().read_number(payload, _LARGEST[word])
    if isinstance(value, Rejected):
        return f"{topic}: {value.why}."
    tool.switch(on=True, at=now, load=max(0.0, value))
    return f"The {said} is on and {says(tool.measure, value)}."


def _switched(shop: SimShop, word: str, name: str, on: bool, now: float) -> str:
    said = spoken(name)
    match word:
        case "switch":
            shop.tools[name].switch(on=on, at=now)
            return f"The {said} is switched {'on' if on else 'off'}."
        case "jam":
            shop.gates[name].suffer(GateTrouble.JAM if on else None, now)
            return f"The gate {said} {'jams' if on else 'is freed'}."
        case "move":
            shop.gates[name].move_by_hand(to_open=on, at=now)
            return f"The gate {said} is {'opened' if on else 'shut'} by hand."
        case "press":
            shop.stops[name].set(active=on, at=now)
            return f"The stop button {said} is {'pressed' if on else 'pulled out again'}."
        case "block" | "clog":
            return _air(shop, word, name, on)
        case "hand":
            shop.collectors[name].switch_by_hand(on=on, at=now)
            return f"The collector {said} is switched {'on' if on else 'off'} at its own switch."
        case _:
            shop.collectors[name].weld(now, on=on)
            if on and not shop.collectors[name].welded:
                return "A relay welds only while it is on."
            return f"The relay of collector {said} {'welds shut' if on else 'is replaced'}."


def _air(shop: SimShop, word: str, name: str, on: bool) -> str:
    """What no device says of itself, and a pressure sensor at the collector's inlet shows."""
    if word == "clog":
        airway = shop.collectors[name].airway
        if airway is None:
            return f"The collector {spoken(name)} has no suction sensor that would tell of it."
        airway.clog = OVERDUE if on else 0.0
        return f"The filter of the collector {spoken(name)} is {'clogged' if on else 'cleaned'}."
    airways = [fan.airway for fan in shop.collectors.values() if fan.airway is not None and name in fan.airway.gates]
    for airway in airways:
        (airway.blocked.add if on else airway.blocked.discard)(name)
    if not airways:
        return f"The collector of gate {spoken(name)} has no suction sensor that would tell of it."
    return f"The hose at gate {spoken(name)} is {'blocked' if on else 'free again'}."


class SimulatedDevices:
    """Runs a shop's devices over one connection. `played` hears what came of the fault inputs of other clients."""

    def __init__(self, shop: SimShop, client: PlainClient, played: Callable[[float, str], None]) -> None:
        self._shop = shop
        self._client = client
        self._played = played
        self._waiting: list[Sent] = []
        self._wake = asyncio.Event()
        self._over = False
        self.breaches: list[float] = []
        """When (monotonic seconds) a fan was driven while no gate stood fully open: seen on the devices themselves."""

    def act(self, messages: Mapping[str, str]) -> None:
        """Somebody in the shop does something, now: fault inputs, or messages (topic -> payload) to all."""
        now = time.monotonic()
        self._shop.agenda.advance(now)
        for topic, payload in messages.items():
            if is_fault_input(topic):
                take_fault_input(self._shop, topic, payload.encode(), now)
            else:
                self._waiting.append(Sent(now, topic, payload.encode()))
        self._wake.set()

    async def run(self) -> None:
        """Come up, then listen and speak until cancelled.

        Raises:
            ClientError: the broker is gone.
        """
        self._waiting += self._shop.begin(time.monotonic())
        async with asyncio.TaskGroup() as tasks:
            tasks.create_task(self._listen())
            tasks.create_task(self._speak())

    async def _listen(self) -> None:
        try:
            async for message in self._client.messages():
                now = time.monotonic()
                if message.retained:
                    continue  # a device that comes up obeys no command from before
                if is_fault_input(message.topic):
                    self._played(now, take_fault_input(self._shop, message.topic, message.payload, now))
                else:
                    self._shop.deliver(message.topic, message.payload, now)
                self._wake.set()
        finally:
            # Cancelled, `_speak` ends by this: a publish may swallow its own cancellation (Python 3.11).
            self._over = True
            self._wake.set()

    async def _speak(self) -> None:
        while not self._over:
            self._wake.clear()
            now = time.monotonic()
            self._waiting += self._shop.advance(now)
            if is_driven_against_shut_gates(self._shop, now):
                self.breaches.append(now)
            waiting, self._waiting = self._waiting, []
            for sent in waiting:
                await self._client.publish(sent.topic, sent.payload, retain=sent.retain, qos=1 if sent.retain else 0)
            next_at = self._shop.next_at()
            with suppress(TimeoutError):
                async with asyncio.timeout(None if next_at is None else max(0.0, next_at - time.monotonic())):
                    await self._wake.wait()


def is_driven_against_shut_gates(shop: SimShop, now: float) -> bool:
    """Whether a fan is driven while no gate stands fully open."""
    driven = any(collector.turns for collector in shop.collectors.values())
    return driven and not any(gate.position(now) == 1.0 for gate in shop.gates.values())
