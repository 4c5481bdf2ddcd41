"""The demo's shop with a board of ours at every device: blades, machines and a contactor around ten board processes.

What a board's pins see follows from what its own outputs do: a blade follows its servo's pulses, a contactor its relay.
No broker, no daemon and no clock of the computer in here.
"""

import json
import math
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any, Final

from board_process import BoardProcess, Wire

SHOP: Final = Path(__file__).with_name("shop.toml")
RELAY, FEEDBACK, SERVO, BUTTON, OPEN_SWITCH, SHUT_SWITCH, STOP, ADC = 5, 6, 7, 8, 9, 10, 11, 26
LOOK_US: Final = 400
CONVERT_US: Final = 300
"""What a look of a board at its clock takes, and one at its converter: it samples a sine every 700 us, 28 times a cycle
(under 1000, or the program sees gaps), which costs a fifth of what a real board's samples would."""
AMPS_PER_VOLT: Final = 20.0
FULL_SCALE_VOLTS: Final = 3.3
HERTZ: Final = 50
BLADE_SPEED: Final = 0.4
"""Degrees a millisecond: an unloaded hobby servo [from memory: 60 degrees in 0.1 to 0.2 s]."""
REACHED: Final = 3.0
"""Degrees before its end at which an end switch closes."""
CONTACTOR_MS: Final = 40
"""From coil to contacts [from memory: 10 to 50 ms]."""
PRESS_MS: Final = 200
ON_A_WIRE: Final = ("tool-band_saw",)
WORKING_AMPS: Final[Mapping[str, float]] = {
    "band_saw": 6.2,
    "jointer": 7.4,
    "drum_sander": 5.1,
    "carving_router": 3.4,
}
LIGHT_CUT_AMPS: Final = 1.0
"""The carving router's very light cut: under its start threshold of 1.2 A."""
FAN_AMPS: Final = 9.0
IDLE_AMPS: Final = 0.05
END_SWITCHES: Final[Mapping[str, Mapping[str, int]]] = {
    "band_saw": {"open_switch": OPEN_SWITCH, "shut_switch": SHUT_SWITCH},
    "planing": {"open_switch": OPEN_SWITCH},
}
"""The other gates have none."""


def filled_in(settings: dict[str, Any], port: int) -> dict[str, Any]:
    """A settings file of `gatehand boards` with what its owner adds, on this computer instead of in a shop."""
    role, name, hardware = settings["role"], settings["name"], settings["hardware"]
    settings["wifi"] = {"ssid": "shop", "password": "by hand"}
    # The broker counts the keepalive on the computer's clock, which is not the shop's.
    settings["broker"].update(host="127.0.0.1", port=port, keepalive=300)
    clamp = {"adc": ADC, "amps_per_volt": AMPS_PER_VOLT, "deadband": 0.2, "every_ms": 500}
    match role:
        case "switch":
            hardware.update(relay=RELAY, feedback=FEEDBACK)
            hardware["clamp"].update(clamp)
        case "gate":
            hardware.update(servo=SERVO, degrees_per_s=300, settle_ms=150, **END_SWITCHES.get(name, {}))
            hardware.update({} if hardware["button"] is None and "button" not in settings else {"button": BUTTON})
        case "sensor":
            hardware.update(clamp)
        case _:
            hardware["pins"] = dict.fromkeys(hardware["pins"], STOP)
    return settings


class Blade:
    """A gate's blade. It follows the pulses while there are any, and stays where it is without."""

    def __init__(self, angle: float = 0.0) -> None:
        self.angle = angle
        """Degrees; 0 shut, 90 open."""
        self.jammed = False
        self.pulses_ms = 0
        """How long there have been pulses without a break."""
        self.longest_ms = 0

    @property
    def is_open(self) -> bool:
        """Whether air passes."""
        return self.angle >= 90 - REACHED

    def go(self, pulse_ns: int, milliseconds: int) -> None:
        """Time passes, with this pulse (0: none)."""
        self.pulses_ms = self.pulses_ms + milliseconds if pulse_ns else 0
        self.longest_ms = max(self.longest_ms, self.pulses_ms)
        if not pulse_ns or self.jammed:
            return
        wanted = (pulse_ns / 1000 - 500) / 2000 * 180
        way = wanted - self.angle
        self.angle += math.copysign(min(abs(way), BLADE_SPEED * milliseconds), way)


class ShopOfBoards:
    """All boards and what is around them.

    Args:
        settings: of each board, filled in, by the board's login.
        folder: for their files.
        faults: planted ones: text of a role's program that takes the place of the one that ships, by the role.
    """

    def __init__(
        self, settings: Mapping[str, dict[str, Any]], folder: Path, faults: Mapping[str, str] | None = None
    ) -> None:
        self.boards: dict[str, BoardProcess] = {}
        self.wires = {login: Wire(settings[login]["broker"]["port"]) for login in ON_A_WIRE}
        """Whose way to the broker can be cut."""
        self.blades = {one["name"]: Blade() for one in settings.values() if one["role"] == "gate"}
        self.breaches: list[str] = []
        """What hurt the shop, as sentences."""
        self.fan_on = False
        self.now = 0
        self._coil_since: int | None = None
        self._releases: list[tuple[int, BoardProcess, int]] = []
        for turn, (login, table) in enumerate(settings.items()):
            inputs = {STOP: 0} if table["role"] == "contact" else {}
            if login in self.wires:
                table["broker"]["port"] = self.wires[login].port
            # Their ticks wrap in the middle of the day, each at another moment.
            board = BoardProcess(folder / login, table, tick_ms=(1 << 30) - 3000 * (turn + 1), inputs=inputs)
            self.boards[login] = board
            if faults and table["role"] in faults:
                (folder / login / f"{table['role']}.py").write_text(faults[table["role"]])
            board.look_takes(LOOK_US)
            board.convert(CONVERT_US)
            if table["role"] in ("sensor", "switch"):
                self._draw(board, IDLE_AMPS)

    @property
    def moves(self) -> bool:
        """Whether a blade is driven, or a contactor is on its way."""
        waits = self._coil_since is not None and not self.fan_on
        return waits or any(blade.pulses_ms for blade in self.blades.values())

    def power_up(self) -> None:
        """Switch every board on."""
        for board in self.boards.values():
            board.power_up()
        self._follow()

    def cut_power(self) -> None:
        """All is over."""
        for board in self.boards.values():
            board.cut_power()
        for wire in self.wires.values():
            wire.close()

    def carry(self) -> None:
        """What is on the wires goes on."""
        for wire in self.wires.values():
            wire.now = self.now
            wire.carry()

    def go(self, milliseconds: int) -> None:
        """Let so much time pass: for the boards first, then for what they drive."""
        for board in self.boards.values():
            board.grant(milliseconds)
        for board in self.boards.values():
            board.settle()
        self.now += milliseconds
        for name, blade in self.blades.items():
            blade.go(self.boards[f"gate-{name}"].output(SERVO, "pwm") or 0, milliseconds)
        self._follow()
        if self.fan_on and not any(blade.is_open for blade in self.blades.values()):
            self.breaches.append(f"The fan was driven against shut gates, {self.now} ms after power-up.")

    def act(self, messages: Iterable[tuple[str, str]]) -> None:
        """What people do in the demo's day, on its own topics.

        Raises:
            LookupError: there is no such thing to do here.
        """
        for topic, payload in messages:
            kind, name, what = topic.removeprefix("shop/").split("/")
            on = payload == "1"
            match what:
                case "switch":
                    self._draw(self.boards[f"tool-{name}"], WORKING_AMPS[name] if on else IDLE_AMPS)
                case "watts":
                    self._draw(self.boards[f"tool-{name}"], LIGHT_CUT_AMPS)
                case "jam":
                    self.blades[name].jammed = on
                case "press":
                    self.boards[f"stop-{name}"].pin(STOP, int(on))  # normally closed
                case "button" if kind == "gate":
                    board = self.boards[f"gate-{name}"]
                    board.pin(BUTTON, 0)
                    self._releases.append((self.now + PRESS_MS, board, BUTTON))
                case _:
                    raise LookupError(topic)

    def _follow(self) -> None:
        """Pins that follow from what the outputs did."""
        for name, blade in self.blades.items():
            board = self.boards[f"gate-{name}"]
            if "open_switch" in END_SWITCHES.get(name, {}):
                board.pin(OPEN_SWITCH, int(not blade.is_open))
            if "shut_switch" in END_SWITCHES.get(name, {}):
                board.pin(SHUT_SWITCH, int(blade.angle > REACHED))
        switch = self.boards["collector-main"]
        coil = switch.output(RELAY) == 1
        self._coil_since = (self._coil_since if self._coil_since is not None else self.now) if coil else None
        on = self._coil_since is not None and self.now - self._coil_since >= CONTACTOR_MS
        if on != self.fan_on:
            self.fan_on = on
            switch.pin(FEEDBACK, int(not on))
            self._draw(switch, FAN_AMPS if on else IDLE_AMPS)
        for due in [one for one in self._releases if one[0] <= self.now]:
            self._releases.remove(due)
            due[1].pin(due[2], 1)

    @staticmethod
    def _draw(board: BoardProcess, amps: float) -> None:
        """The clamp of this board sees so much, as a sine about half the supply."""
        peak = amps * math.sqrt(2) / AMPS_PER_VOLT / FULL_SCALE_VOLTS * 65535
        board.wave(ADC, 32768, round(peak), HERTZ)


def settings_of(folder: Path, port: int) -> dict[str, dict[str, Any]]:
    """Every settings file below a folder of `gatehand boards`, filled in, by its board's login."""
    files = sorted(folder.glob("*/settings.json"))
    return {file.parent.name: filled_in(json.loads(file.read_text()), port) for file in files}
