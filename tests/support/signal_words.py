"""What a payload on a topic of the shop says, read from the config by a reader of the simulation's own.

The monitor sees the shop through this, so it shares no line with the daemon's own reader.
"""

import json
import re
from dataclasses import dataclass
from math import isfinite
from typing import Any

from gatehand.config import Config
from gatehand.config.signals import Contact, Current, Power


@dataclass(frozen=True, slots=True)
class Signal:
    """One thing that a topic says. `words`: text to meaning; without words it is a number times `scale`."""

    what: str
    name: str
    pointer: str | None
    words: dict[str, str] | None
    scale: float = 1.0
    at: str | None = None
    """Pointer to when it was measured, milliseconds."""
    most: float = 1000
    """No number is larger, either way."""

    def measured(self, payload: bytes) -> float | None:
        """When it was measured, seconds of the device's own clock; None where it does not say."""
        value = None if self.at is None else _value(payload, self.at, number=True)
        return value / 1000 if isinstance(value, int | float) and not isinstance(value, bool) else None

    def read(self, payload: bytes) -> str | float | None:
        """A word's meaning, "other" for another word, a number, or None for what is no value."""
        value = _value(payload, self.pointer, number=self.words is None)
        if value is None or isinstance(value, dict | list):
            return None
        if self.words is None:
            if isinstance(value, bool) or not isinstance(value, int | float):
                return None
            number = float(value) * self.scale
            return round(number, 3) if isfinite(number) and abs(number) <= self.most else None
        text = json.dumps(value) if not isinstance(value, str) else value
        return self.words.get(text, "other")


def _value(payload: bytes, pointer: str | None, *, number: bool) -> Any:  # noqa: ANN401 - JSON
    try:
        text = payload.decode()
    except UnicodeDecodeError:
        return None
    if pointer is None:
        if not number:
            return text.strip() or None
        return float(text) if re.fullmatch(r"\s*[-+]?(\d+\.?\d*|\.\d+)([eE][-+]?\d+)?\s*", text) else None
    try:
        document = json.loads(text)
    except (ValueError, RecursionError):
        return None
    for token in pointer.split("/")[1:]:
        if not isinstance(document, dict) or token not in document:
            return None
        document = document[token]
    return document


def _of_sensor(what: str, name: str, heard: Current | Power | Contact) -> Signal:
    if isinstance(heard, Contact):
        return Signal(what, name, heard.pointer, {heard.active: "active", heard.clear: "clear"})
    return Signal(what, name, heard.pointer, None, heard.scale, heard.at, 400_000 if isinstance(heard, Power) else 1000)


def signals(config: Config) -> dict[str, list[Signal]]:
    """By topic, everything that is heard."""
    found: dict[str, list[Signal]] = {}

    def add(topic: str, signal: Signal) -> None:
        found.setdefault(topic, []).append(signal)

    for name, stop in config.stop.items():
        add(stop.topic, Signal("stop", name, stop.pointer, {stop.active: "active", stop.clear: "clear"}))
        if stop.online is not None:
            words = {stop.online.active: "here", stop.online.clear: "gone"}
            add(stop.online.topic, Signal("stop_online", name, stop.online.pointer, words))
    for name, gate in config.gate.items():
        if gate.state is not None:
            words = {gate.state.open: "open", gate.state.shut: "shut"}
            add(gate.state.topic, Signal("gate", name, gate.state.pointer, words))
        if gate.button is not None:
            add(gate.button.topic, Signal("button", name, gate.button.pointer, {gate.button.pressed: "pressed"}))
        if gate.online is not None:
            words = {gate.online.active: "here", gate.online.clear: "gone"}
            add(gate.online.topic, Signal("gate_online", name, gate.online.pointer, words))
        add(f"{config.broker.base}/gate/{name}/hand", Signal("hand", name, None, {"1": "on", "0": "off"}))
    for name, fan in config.collector.items():
        if fan.state is not None:
            words = {fan.state.on: "on", fan.state.off: "off"}
            add(fan.state.topic, Signal("fan", name, fan.state.pointer, words))
        if (motor := fan.current or fan.power or fan.running) is not None:
            add(motor.topic, _of_sensor("fan_reads", name, motor))
        if fan.bin_full is not None:
            words = {fan.bin_full.active: "full", fan.bin_full.clear: "clear"}
            add(fan.bin_full.topic, Signal("bin", name, fan.bin_full.pointer, words))
        for word in ("reset", "hold"):
            add(f"{config.broker.base}/collector/{name}/{word}", Signal(word, name, None, {}))
        if fan.reset is not None:
            words = {fan.reset.pressed: "pressed", fan.reset.released: "released"}
            add(fan.reset.topic, Signal("reset_button", name, fan.reset.pointer, words))
    for name, tool in config.tool.items():
        heard = tool.current or tool.power or tool.running
        assert heard is not None
        add(heard.topic, _of_sensor("reads", name, heard))
        if tool.online is not None:
            words = {tool.online.active: "here", tool.online.clear: "gone"}
            add(tool.online.topic, Signal("tool_online", name, tool.online.pointer, words))
    return found
