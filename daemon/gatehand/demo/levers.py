"""Topics by which anybody with an MQTT client plays the people and the mishaps of the simulated shop: `sim/NAME/LEVER`.

A lever that cannot be pulled says why; nothing a client sends can break the shop.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Final

from gatehand.mqtt.payload import Reader, Rejected, UnknownWord, excerpt
from gatehand.simshop import SimShop, Trouble

LEVERS: Final = "sim/+/+"
_PREFIX: Final = "sim/"
_SWITCHED: Final = {"1": True, "0": False, "on": True, "off": False, "open": True, "shut": False}


@dataclass(frozen=True, slots=True)
class Lever:
    """One kind of lever. `pull(name, on, now)` gives what the timeline tells."""

    whose: str
    names: Mapping[str, object]
    what: str
    """What 1 and 0 do, for the list of topics."""
    pull: Callable[[str, bool, float], str]


class Levers:
    """All levers of a shop."""

    def __init__(self, shop: SimShop) -> None:
        self._shop = shop
        self.all: dict[str, Lever] = {
            "switch": Lever("tool", shop.tools, "switched on, off", self._switch),
            "jam": Lever("gate", shop.gates, "its slide jams, or is freed", self._jam),
            "move": Lever("gate", shop.gates, "opened, shut by hand", self._move),
            "press": Lever("stop", shop.stops, "the stop button is pressed, pulled out", self._press),
            "hand": Lever("collector", shop.collectors, "its own switch on, off", self._hand),
            "weld": Lever("collector", shop.collectors, "its relay welds shut, or is replaced", self._weld),
        }

    def has(self, topic: str) -> bool:
        """Whether the topic is a lever's."""
        return topic.startswith(_PREFIX)

    def pull(self, topic: str, payload: bytes, now: float) -> str:
        """Do what the message asks; gives what happened, or why nothing did."""
        _, name, word = topic.split("/", 2)
        if word == "amps":
            return self._amps(name, payload, now)
        lever = self.all.get(word)
        if lever is None:
            return f"{topic}: there is no lever {word!r}; there are {', '.join((*self.all, 'amps'))}."
        if name not in lever.names:
            return f"{topic}: there is no {lever.whose} {name!r}; there are {', '.join(lever.names)}."
        on = Reader().read_word(payload, _SWITCHED)
        if not isinstance(on, bool):
            return f"{topic}: found {_shown(on, payload)}; wanted 1 or 0."
        return lever.pull(name, on, now)

    def _amps(self, name: str, payload: bytes, now: float) -> str:
        topic = f"sim/{name}/amps"
        if name not in self._shop.tools:
            return f"{topic}: there is no tool {name!r}; there are {', '.join(self._shop.tools)}."
        amps = Reader().read_number(payload)
        if isinstance(amps, Rejected):
            return f"{topic}: {amps.why}."
        self._shop.tools[name].switch(on=True, at=now, amps=max(0.0, amps))
        return f"The {_said(name)} is on and draws {amps:g} A."

    def _switch(self, name: str, on: bool, now: float) -> str:
        self._shop.tools[name].switch(on=on, at=now)
        return f"The {_said(name)} is switched {'on' if on else 'off'}."

    def _jam(self, name: str, on: bool, now: float) -> str:
        self._shop.gates[name].suffer(Trouble.JAM if on else None, now)
        return f"The gate {_said(name)} {'jams' if on else 'is freed'}."

    def _move(self, name: str, on: bool, now: float) -> str:
        self._shop.gates[name].move_by_hand(to_open=on, at=now)
        return f"The gate {_said(name)} is {'opened' if on else 'shut'} by hand."

    def _press(self, name: str, on: bool, now: float) -> str:
        self._shop.stops[name].set(active=on, at=now)
        return f"The stop button {_said(name)} is {'pressed' if on else 'pulled out again'}."

    def _hand(self, name: str, on: bool, now: float) -> str:
        self._shop.collectors[name].switch_by_hand(on=on, at=now)
        return f"The collector {_said(name)} is switched {'on' if on else 'off'} at its own switch."

    def _weld(self, name: str, on: bool, now: float) -> str:
        self._shop.collectors[name].weld(now, on=on)
        if on and not self._shop.collectors[name].welded:
            return "A relay welds only while it is on."
        return f"The relay of collector {_said(name)} {'welds shut' if on else 'is replaced'}."


def _said(name: str) -> str:
    return name.replace("_", " ")


def _shown(found: UnknownWord | Rejected, payload: bytes) -> str:
    return repr(found.text if isinstance(found, UnknownWord) else excerpt(payload))
