"""The config's tables, key by key: the shop's devices, the broker, log and upkeep. The ducts' stand in `ducts.py`.

A key without default says what it is in its `Field`, since the message about a missing one says it too; any other in
the docstring below it, which only `json_schema.py` reads. Connecting to the broker belongs to `gatehand.mqtt`, writing
the log to `gatehand.journal`.
"""

from collections.abc import Mapping
from functools import partial
from pathlib import Path
from types import MappingProxyType
from typing import Any, Final, Literal

from pydantic import Field

from gatehand.config import signals, values
from gatehand.config.values import TomlTable
from gatehand_rules.shop import CLOSED
from gatehand_rules.words import Measure


class TlsTable(TomlTable):
    """Encryption to the broker. An empty table means: verify with the system's certificates."""

    ca_file: values.FilePath | None = None
    """Certificate that the broker's must be signed by; default: the system's."""
    cert_file: values.FilePath | None = None
    """Own certificate, where the broker asks for one."""
    key_file: values.FilePath | None = None
    """Private key of cert_file."""


class BrokerTable(TomlTable):
    """The broker and the daemon's place on it."""

    host: values.Host = "127.0.0.1"
    """Host name or address of the broker."""
    port: values.Port = 1883
    """TCP port; brokers with TLS usually listen on 8883."""
    protocol: Literal["5", "3.1.1"] = "5"
    """MQTT version; falls back to 3.1.1 when the broker does not speak 5."""
    client_id: values.PlainText | None = None
    """MQTT client id, unique on the broker; default: base and 8 random hex digits, new at each start."""
    keepalive: values.Keepalive = 6
    """Whole seconds; a dead connection is noticed after about twice this."""
    username: values.PlainText | None = None
    """Login name, where the broker asks for one."""
    password_file: values.FilePath | None = None
    """File whose first line is the password; readable by the daemon only."""
    tls: TlsTable | None = None
    """Encryption; tls = {} verifies with the system's certificates."""
    base: values.Base = "gatehand"
    """Topic under which the daemon publishes its own state."""


class LogTable(TomlTable):
    """The event log and the recorded readings."""

    folder: values.FilePath = Path("log")
    """Folder of the event log, relative to this file."""
    keep_days: values.KeepDays = 400
    """Event files older than this are deleted; 0 = keep all."""
    readings_limit_mb: values.Megabytes = 200
    """Recorded readings keep within this size, oldest dropped first; 0 = none."""


class HomieTable(TomlTable):
    """The open convention's switch and its topic domain."""

    enabled: values.Flag = False
    """Publish as a Homie 5 device: read-only but for hand start and reset."""
    domain: values.TopicLevel = "homie"
    """First topic level of the convention."""


class PageTlsTable(TomlTable):
    """The page's own certificate; only `gatehand page` reads its files."""

    cert_file: values.FilePath = Field(description="Certificate that the page shows, and what signed it.")
    key_file: values.FilePath = Field(description="Private key of cert_file; readable by the page's user only.")


PAGE_ASKS: Final[Mapping[Literal["hand", "hold", "reset"], str]] = MappingProxyType(
    {"hand": "a hand start", "hold": "a hold", "reset": "a reset"}
)
"""What `[page] allow` may name, in words."""


class PageTable(TomlTable):
    """The shop on a phone: read by `gatehand page` alone, which takes a change by itself."""

    listen: values.Listen = "127.0.0.1:8080"
    """Address and port of the page; 127.0.0.1 is this computer alone."""
    hosts: tuple[values.HostName, ...] = ()
    """Names by which a browser may call the page, without port; an address as such is always right."""
    allow: tuple[Literal["hand", "hold", "reset"], ...] = ()
    """What a paired phone may ask for: hand, hold, reset."""
    tls: PageTlsTable | None = None
    """Encryption; needed for allow, unless the page listens on this computer alone."""


class CollectorTable(signals.Sensed):
    """A dust collector."""

    command: signals.SwitchCommand = Field(description="Where its switch takes its commands.")
    state: signals.SwitchState | None = None
    """Where its switch reports back."""
    current: signals.Current | None = None
    """Its motor's current: proves that it turns."""
    running_amps: values.Amps = 2.0
    """With current: at or above this the motor counts as turning."""
    power: signals.Power | None = None
    """Instead of current: its motor's power, from a meter that says watts."""
    running_watts: values.Watts = 200.0
    """With power: at or above this the motor counts as turning."""
    running: signals.Contact | None = None
    """Instead of current: a contact that is active while the motor turns, such as an air flow switch."""
    full_load_amps: values.Amps | None = None
    """From the motor's plate; only circuits need it."""
    spin_up: values.Seconds = 3.0
    """Until the air moves at full flow."""
    coast_down: values.Seconds = 8.0
    """The fan still moves air for this long after off."""
    refresh: values.Seconds = 20.0
    """Repeats the command, so that a switch with its own time limit fails safe; 0 = never."""
    min_open: values.Count = 1
    """Gates that must be proven open before it starts; 0 = a hose without a gate."""
    max_open: values.SomeCount | None = None
    """Most gates that may be open at once; default: no limit."""
    starts_per_hour: values.SomeCount | None = None
    """Starts an hour that the motor can take, kept by running on for longer; default: no limit."""
    bin_full: signals.Contact | None = None
    """The bin's level contact."""
    on_bin_full: Literal["refuse", "warn"] = "refuse"
    """With a full bin: refuse starts, or only warn."""
    suction: signals.Suction | None = None
    """A pressure sensor at its inlet, compared with what the open gates should give: an alarm, never a command."""
    rest: Literal["shut", "leave"] = "shut"
    """Its gates after coast-down: shut, or leave (fewer movements)."""
    reset: signals.ResetInput | None = None
    """A button that ends a hold: released, pressed for 0.1 to 2 s, once its cause is gone."""
    online: signals.Contact | None = None
    """The switch's own online/offline message: active while it is there."""

    @property
    def turns_at(self) -> float:
        """At or above this reading of its sensor the motor counts as turning."""
        return {Measure.AMPS: self.running_amps, Measure.WATTS: self.running_watts}.get(self.measure, CLOSED)


class GateTable(TomlTable):
    """A blast gate."""

    collector: values.NameOf | None = None
    """The collector it belongs to; may be left out where there is one."""
    command: signals.GateCommand | None = None
    """Where it is told to move; without it the gate is moved by hand."""
    state: signals.GatePosition | None = None
    """Where it reports its position; needed without a command."""
    travel: values.SomeSeconds = 1.5
    """Time allowed to move; then a gate with state is told again."""
    retries: values.Retries = 2
    """How often it is told again before it counts as faulty."""
    button: signals.Button | None = None
    """Its button: starts and ends a hand start."""
    hand_limit: values.SomeSeconds = 1800.0
    """The longest hand start."""
    relief: values.Flag = False
    """Opens first when the fan turns against shut gates."""
    on_hand_open: Literal["start", "ignore"] | None = None
    """Opened without our command: start the collector, or ignore; default: start for a gate without command that serves
    no tool, else ignore.
    """
    online: signals.Contact | None = None
    """The gate's own online/offline message: active while it is there."""


STOP_SHARE = 0.7
"""The stop threshold where it is not given, as a share of the start threshold: common practice, no published source."""
SILENT_AFTER = 30.0
"""Seconds; `silent_after` where it is not given. A contact speaks only when it changes: never."""


def _share_of(start: str, given: dict[str, Any]) -> float | None:
    return None if given[start] is None else round(STOP_SHARE * float(given[start]), 3)


def _silent_after(given: dict[str, Any]) -> float:
    return SILENT_AFTER if given.get("running") is None else 0.0


class ToolTable(signals.Sensed):
    """A tool."""

    gates: tuple[values.NameOf, ...] = ()
    """Gates that it needs open."""
    assist: tuple[values.NameOf, ...] = ()
    """Gates opened with its own to keep the main moving; never waited for."""
    collector: values.NameOf | None = None
    """Its collector; only for a tool without gates, where there are several."""
    current: signals.Current | None = None
    """Its current sensor. A tool has this, power or running."""
    start_amps: values.Amps | None = None
    """With current, the start threshold: at or above this it is running."""
    stop_amps: values.Amps | None = Field(default_factory=partial(_share_of, "start_amps"))
    """With current, the stop threshold: below this it has stopped; default: 0.7 x start_amps."""
    power: signals.Power | None = None
    """Instead of current: its power, from a meter that says watts."""
    start_watts: values.Watts | None = None
    """With power, the start threshold: at or above this it is running."""
    stop_watts: values.Watts | None = Field(default_factory=partial(_share_of, "start_watts"))
    """With power, the stop threshold: below this it has stopped; default: 0.7 x start_watts."""
    running: signals.Contact | None = None
    """Instead of current: a contact, or a controller's output, that is active while it runs; it has no thresholds."""
    start_after: values.Seconds = 0.0
    """It must be at or above its start threshold (its contact active) for this long."""
    stop_after: values.Seconds = 0.0
    """It must be below its stop threshold (its contact clear) for this long."""
    run_on: values.Seconds = 10.0
    """The collector runs on for this long after the tool has stopped."""
    silent_after: values.Seconds = Field(default_factory=_silent_after, json_schema_extra={"default": SILENT_AFTER})
    """Silence that counts as a lost sensor; 0 = it speaks only on change, the default with running. The price of a
    number: a meter that speaks only on change is called silent in a long steady cut, and its tool let go; of 0: a
    sensor that has died is not noticed.
    """
    run_limit: values.Seconds = 8 * 3600.0
    """Running for longer is a stuck sensor: muted; 0 = no limit."""
    full_load_amps: values.Amps | None = None
    """From the motor's plate; only circuits need it."""
    online: signals.Contact | None = None
    """The sensor's own online/offline message: active while it is there."""

    @property
    def sensor(self) -> signals.Sensor:
        """By which it says that it runs.

        Raises:
            ValueError: it has none, which no config has that `load` found no error in.
        """
        if (found := self.motor_sensor) is None:
            raise ValueError("a tool without a sensor")
        return found

    @property
    def start_at(self) -> float:
        """Its start threshold, in the unit of its sensor; a contact's reading when it is active.

        Raises:
            ValueError: it has none, as above.
        """
        return self._threshold(self.start_amps, self.start_watts)

    @property
    def stop_at(self) -> float:
        """Its stop threshold, given or worked out; of a contact, the same as the start's.

        Raises:
            ValueError: it has none, as above.
        """
        return self._threshold(self.stop_amps, self.stop_watts)

    def _threshold(self, amps: float | None, watts: float | None) -> float:
        found = {Measure.AMPS: amps, Measure.WATTS: watts}.get(self.measure, CLOSED)
        if found is None:
            raise ValueError("a tool without a threshold for its sensor")
        return found


class StopTable(signals.Contact):
    """A stop contact: an emergency stop's auxiliary contact, a spark or smoke detector."""

    collectors: tuple[values.NameOf, ...] | None = None
    """Collectors that it stops; default: all."""
    online: signals.Contact | None = None
    """Its device's own online/offline message: active while it is there. Gone is an alarm, and stops nothing."""


class UpkeepTable(TomlTable):
    """One kind of upkeep; `gatehand done NAME` counts its hours from zero again."""

    every_hours: values.Hours = Field(description="Hours of running after which it is due.")
    collector: values.NameOf | None = None
    """The collector whose hours count; may be left out where there is one."""


COLLECTOR_MEMBER = "collector."
"""What a member begins with that is a collector and no tool."""


class CircuitTable(TomlTable):
    """A breaker and the machines behind it. A check of arithmetic; wiring is a licensed electrician's."""

    amps: values.Amps = Field(description="Rating of the breaker.")
    members: tuple[values.NameOf, ...] = Field(description='Tools by name, collectors as "collector.NAME".')
    start_gap: values.Seconds = 0.0
    """Least time between a tool's start and the collector's, so that inrushes do not meet."""
    voltage: values.Volts | None = None
    """Voltage of the circuit, from which a report estimates the energy of members whose sensors say amps."""
