"""The owner of a drawn shop, who answers and does what is asked, under virtual time and over the code of the real one.

The owner knows the shop as owners do: its names, what stands where, how each device can be worked, what was bought. Of
topics and payloads the owner knows what the papers say, and types that only where nothing was heard and a guess is
wrong; whatever is typed is counted. Of what was heard the owner takes what is proposed first, but for a report whose
words are not those of the papers, where others have them.
"""

import math
import re
from collections import deque
from collections.abc import Callable, Iterable
from random import Random
from typing import Final

from made_shops import MadeShop
from made_world import MadeWorld

from gatehand.config.signals import Meter
from gatehand.first_config.draft import toml
from gatehand.first_config.evening import Evening
from gatehand.first_config.port import BrokerWord
from gatehand.first_config.questions import SignalAnswer
from gatehand.first_config.steps import Ask, Connect, Try
from gatehand.mqtt.inbox import Message
from gatehand.person import EndOfInput
from gatehand.simshop.device import Sent

LONGEST: Final = 20_000.0
"""Seconds; no evening is longer."""
_ROLES: Final = {"bin": "bin_full", "motor": "sensor"}
WORDS: Final = ("on", "off", "open", "shut", "active", "clear", "pressed", "released")


def words_of(written: str) -> list[str]:
    """The words of a signal as the config writes it."""
    return re.findall(r"(?:on|off|open|shut) = (\"[^\"]*\")", written)


class OwnersEvening:
    """The world of `port.Ears` for one drawn shop: the owner, the air, the time. `evening`: set before it begins."""

    evening: Evening

    def __init__(self, shop: MadeShop) -> None:
        self.made = shop
        self.world = MadeWorld(shop)
        self.config = self.world.config
        self.time = 0.0
        self.said: list[str] = []
        self.asked: list[str] = []
        """Keys, in order."""
        self.typed: dict[str, str] = {}
        """What the owner had to type of topics and words, by key."""
        self.typed_roles: set[str] = set()
        """The same by the roles of `evening_judge`."""
        self.units: list[bool] = []
        """Of each meter's unit: whether the suggestion was right."""
        self.recognised: list[str] = []
        """Reports that the owner knew among others by their words."""
        self._chosen: dict[str, str] = {}
        self._random = Random(f"owner {shop.seed}")
        self._waiting: deque[Message | str | EndOfInput | BrokerWord] = deque()
        self._plans: list[tuple[float, int, Callable[[], None]]] = []
        self._connected = False
        self._first = self.world.begin()
        self.time = max(each.at for each in self._first)

    # The evening's side

    def now(self) -> float:
        return self.time

    def say(self, text: str) -> None:
        self.said.append(text)

    def ask(self, text: str) -> None:
        self.said.append(text)
        step = self.evening.at
        assert isinstance(step, Ask | Try)
        self.asked.append(step.key)
        if isinstance(step, Try):
            self._do(step, text)
        else:
            self._type(self._answer(step), after=0.4)

    async def connect(self, to: Connect) -> str | None:
        """The broker is there, and says what it has kept."""
        del to
        self._connected = True
        self._waiting += (Message(topic, payload, True, self.time) for topic, payload in self.world.kept.items())
        return None

    async def next(self, until: float) -> Message | str | EndOfInput | BrokerWord | None:
        while not self._waiting:
            moment = min(until, self._plans[0][0] if self._plans else math.inf)
            said: list[Sent] = []
            while (self.world.next_at <= moment) and not (said and moment == math.inf):
                self.time = max(self.time, self.world.next_at)
                assert self.time < LONGEST, f"it waits for ever; last said: {self.said[-3:]}"
                said += self.world.advance(self.time)
            self.time = max(self.time, moment if moment < math.inf else self.time)
            await self._hear(said)
            while self._plans and self._plans[0][0] <= self.time:
                self._plans.pop(0)[2]()
                await self._hear(self.world.advance(self.time))
            if not self._waiting and self.time >= until:
                return None
        return self._waiting.popleft()

    async def _hear(self, said: list[Sent]) -> None:
        """What was said reaches the evening, once it is connected."""
        if not self._connected:
            return
        self._waiting += (Message(one.topic, one.payload, False, one.at) for one in said)

    def plan(self, after: float, action: Callable[[], None]) -> float:
        """Do it so many seconds from now; the moment."""
        moment = self.time + after
        self._plans.append((moment, len(self._plans), action))
        self._plans.sort(key=lambda plan: plan[:2])
        return moment

    def _type(self, text: str, *, after: float) -> None:
        self.plan(after, lambda: self._waiting.append(text))

    # What the owner does

    def _do(self, step: Try, text: str) -> None:
        kind, name, what = step.key.split(".")
        undo = bool(step.undo) and text.startswith(step.undo)
        action = self._action(kind, name, what, on=not undo)
        if action is None:
            self._type("type" if what == "trial" else "none", after=1.0)
            return
        begun = self._random.uniform(1.0, 4.0)
        self.plan(begun, action)
        if what == "reset_trial":
            self.plan(begun + 0.4, lambda: self.world.press_reset(name, self.time, down=False))
        takes = self.world.shop.gates[name].travel if kind == "gate" and what == "trial" else 0.0
        self._type("", after=begun + takes + self._random.uniform(0.6, 2.0))

    def _action(self, kind: str, name: str, what: str, *, on: bool) -> Callable[[], None] | None:
        """None: there is no such thing, or no way to work it."""
        shop, world = self.world.shop, self.world
        match kind, what:
            case "tool", _:
                return lambda: shop.tools[name].switch(on=on, at=self.time)
            case "stop", _:
                return lambda: shop.stops[name].set(active=on, at=self.time)
            case "gate", "button_trial":
                if self.config.gate[name].button is None:
                    return None
                return lambda: shop.gates[name].press(self.time)
            case "collector", "bin_trial":
                contact = shop.collectors[name].bin
                return None if contact is None else lambda: contact.set(active=on, at=self.time)
            case "collector", "reset_trial":
                if self.config.collector[name].reset is None:
                    return None
                return lambda: world.press_reset(name, self.time, down=True)
        means = self.made.by(kind, name)
        if means == "none":
            return None
        table = self.config.gate[name] if kind == "gate" else self.config.collector[name]
        if means == "phone":
            assert table.command is not None
            words = (
                (table.command.open, table.command.shut) if kind == "gate" else (table.command.on, table.command.off)  # type: ignore[union-attr]
            )
            topic = table.command.topic
            return lambda: world.say(topic, words[0 if on else 1], self.time)
        if kind == "gate":
            return lambda: shop.gates[name].move_by_hand(to_open=on, at=self.time)
        return lambda: shop.collectors[name].switch_by_hand(on=on, at=self.time)

    # What the owner answers

    def _answer(self, step: Ask) -> str:
        config, parts = self.config, step.key.split(".")
        if len(parts) < 3:
            many: dict[str, Iterable[str]] = {
                "collectors": config.collector,
                "gates": config.gate,
                "tools": config.tool,
                "stops": config.stop,
            }
            return ", ".join(many[step.key]) or "none" if step.key in many else ""
        kind, name, what = parts
        table = getattr(config, kind)[name]
        match what:
            case "board" | "start" | "turns_at":
                return "" if step.suggestion is not None else self._number(table, what)
            case "collector":
                return config.gate_collector(name) if kind == "gate" else config.tool_collector(name)
            case "moved":
                return "hand" if table.command is None else "motor"
            case "worked":
                return "network" if self.made.by(kind, name) == "phone" else "hand"
            case "travel" | "coast_down" | "run_on":
                return f"{getattr(table, what):g}"
            case "gates":
                return ", ".join(table.gates)
            case "collectors":
                return ""
            case "unit" | "motor_unit":
                return self._unit(step, table)
            case _:
                return self._signal(step, kind, what, table)

    def _number(self, table: object, what: str) -> str:
        return f"{getattr(table, {'start': 'start_at'}.get(what, what)):g}"

    def _unit(self, step: Ask, table: object) -> str:
        """What a meter measures is known to its owner; of one that says both, by the name in its document."""
        sensor = table.motor_sensor  # type: ignore[attr-defined]
        kind, name, _ = step.key.split(".")
        chosen = self._chosen.get(f"{kind}.{name}", "")
        if not isinstance(sensor, Meter):
            return ""  # what was taken for it is none of this owner's
        true = "W" if table.measure == "watts" else "mA" if sensor.scale == 0.001 else "A"  # type: ignore[attr-defined]
        if chosen and sensor.pointer and f'pointer = "{sensor.pointer}"' not in chosen:
            true = "W" if "/power" in chosen else "A"
        self.units.append(step.suggestion == true)
        return "" if step.suggestion == true else true

    def _signal(self, step: Ask, kind: str, what: str, table: object) -> str:
        key = {"bin": "bin_full"}.get(what, what)
        if kind == "stop":
            true: object = table
        elif what in {"sensor", "motor"}:
            true = table.motor_sensor  # type: ignore[attr-defined]
        else:
            true = getattr(table, key)
        if true is None:
            return "none"
        answer = SignalAnswer(
            true.topic,  # type: ignore[attr-defined]
            getattr(true, "pointer", None),
            {word: getattr(true, word) for word in WORDS if hasattr(true, word)},
            getattr(true, "scale", 1.0),
        )
        written = toml(answer)
        if what == "command":
            if step.suggestion == written:
                return ""
        elif step.options:
            by_words = [at for at, one in enumerate(step.options, 1) if words_of(one.answer) == words_of(written)]
            if what == "state" and words_of(step.options[0].answer) != words_of(written) and by_words:
                self.recognised.append(step.key)
                return str(by_words[0])
            self._chosen[step.key.rpartition(".")[0]] = step.options[0].answer
            return "" if step.suggestion == step.options[0].answer else "1"
        self.typed[step.key] = written
        self.typed_roles.add(f"{kind}.{step.key.split(chr(46))[1]}.{_ROLES.get(what, what)}")
        return written
