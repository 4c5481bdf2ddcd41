"""The config's tables, key by key: the shop's devices, the broker, log and upkeep. The ducts' stand in `ducts.py`.

Connecting to the broker belongs to `gatehand.mqtt`, writing the log to `gatehand.journal`.
"""

from pathlib import Path
from typing import Any, Literal

from pydantic import Field

from gatehand.config import signals, values
from gatehand.config.values import TomlTable


class TlsTable(TomlTable):
    """Encryption to the broker. An empty table means: verify with the system's certificates."""

    ca_file: values.FilePath | None = Field(
        None, description="Certificate that the broker's must be signed by; default: the system's."
    )
    cert_file: values.FilePath | None = Field(None, description="Own certificate, where the broker asks for one.")
    key_file: values.FilePath | None = Field(None, description="Private key of cert_file.")


class BrokerTable(TomlTable):
    """The broker and the daemon's place on it."""

    host: values.Host = Field("127.0.0.1", description="Host name or address of the broker.")
    port: values.Port = Field(1883, description="TCP port; brokers with TLS usually listen on 8883.")
    protocol: Literal["5", "3.1.1"] = Field(
        "5", description="MQTT version; falls back to 3.1.1 when the broker knows no 5."
    )
    client_id: values.PlainText | None = Field(
        None,
        description="MQTT client id, unique on the broker; default: base and 8 random hex digits, new at each start.",
    )
    keepalive: values.Keepalive = Field(
        6, description="Whole seconds; a dead connection is noticed after about twice this."
    )
    username: values.PlainText | None = Field(None, description="Login name, where the broker asks for one.")
    password_file: values.FilePath | None = Field(
        None, description="File whose first line is the password; readable by the daemon only."
    )
    tls: TlsTable | None = Field(None, description="Encryption; tls = {} verifies with the system's certificates.")
    base: values.Base = Field("gatehand", description="Topic under which the daemon publishes its own state.")


class LogTable(TomlTable):
    """The event log and the recorded readings."""

    folder: values.FilePath = Field(Path("log"), description="Folder of the event log, relative to this file.")
    keep_days: values.KeepDays = Field(400, description="Event files older than this are deleted; 0 = keep all.")
    readings_limit_mb: values.Megabytes = Field(
        200, description="Recorded readings keep within this size, oldest dropped first; 0 = none."
    )


class HomieTable(TomlTable):
    """The open convention's switch and its topic domain."""

    enabled: values.Flag = Field(
        False, description="Publish as a Homie 5 device: read-only but for hand start and reset."
    )
    domain: values.TopicLevel = Field("homie", description="First topic level of the convention.")


class CollectorTable(TomlTable):
    """A dust collector."""

    command: signals.SwitchCommand = Field(description="Where its switch is told on and off.")
    state: signals.SwitchState | None = Field(None, description="Where its switch reports back.")
    current: signals.Current | None = Field(None, description="Its motor's current: proves that it turns.")
    running_amps: values.Amps = Field(2.0, description="At or above this current the motor counts as turning.")
    full_load_amps: values.Amps | None = Field(None, description="From the motor's plate; only circuits need it.")
    spin_up: values.Seconds = Field(3.0, description="Until the air moves at full flow.")
    coast_down: values.Seconds = Field(8.0, description="The fan still moves air for this long after off.")
    refresh: values.Seconds = Field(
        20.0, description="Repeats the command, so that a switch with its own time limit fails safe; 0 = never."
    )
    min_open: values.Count = Field(
        1, description="Gates that must be proven open before it starts; 0 = a hose without gate."
    )
    max_open: values.SomeCount | None = Field(
        None, description="Most gates told to stand open at once; default: no limit."
    )
    starts_per_hour: values.SomeCount | None = Field(
        None, description="Starts an hour that the motor bears, kept by running on for longer; default: no limit."
    )
    bin_full: signals.Contact | None = Field(None, description="The bin's level contact.")
    on_bin_full: Literal["refuse", "warn"] = Field(
        "refuse", description="With a full bin: refuse starts, or only warn."
    )
    rest: Literal["shut", "leave"] = Field(
        "shut", description="Its gates after coast-down: shut, or leave (fewer movements)."
    )
    reset: signals.ResetInput | None = Field(
        None, description="A button that ends a hold: released, pressed for 0.1 to 2 s, once its cause is gone."
    )
    online: signals.Contact | None = Field(None, description="The switch's own will: active while it is there.")


class GateTable(TomlTable):
    """A blast gate."""

    collector: values.NameOf | None = Field(
        None, description="The collector it belongs to; may be left out where there is one."
    )
    command: signals.GateCommand | None = Field(
        None, description="Where it is told to move; without it the gate is moved by hand."
    )
    state: signals.GatePosition | None = Field(
        None, description="Where it reports its position; needed without command."
    )
    travel: values.SomeSeconds = Field(1.5, description="Time allowed to move; then a gate with state is told again.")
    retries: values.Retries = Field(2, description="How often it is told again before it is a fault.")
    button: signals.Button | None = Field(None, description="Its button: starts and ends a hand start.")
    hand_limit: values.SomeSeconds = Field(1800.0, description="The longest hand start.")
    relief: values.Flag = Field(False, description="Opens first when the fan turns against shut gates.")
    on_hand_open: Literal["start", "ignore"] | None = Field(
        None,
        description="Opened without our command: start the collector, or ignore; "
        "default: start for a gate without command that serves no tool, else ignore.",
    )
    online: signals.Contact | None = Field(None, description="The gate's own will: active while it is there.")


STOP_SHARE = 0.7
"""`stop_amps` where it is not given, as a share of `start_amps`: common practice, no published source."""


def _stop_amps(given: dict[str, Any]) -> float:
    return round(STOP_SHARE * float(given["start_amps"]), 3)


class ToolTable(TomlTable):
    """A tool."""

    gates: tuple[values.NameOf, ...] = Field((), description="Gates that it needs open.")
    assist: tuple[values.NameOf, ...] = Field(
        (), description="Gates opened with its own to keep the main moving; never waited for."
    )
    collector: values.NameOf | None = Field(
        None, description="Its collector; only for a tool without gates, where there are several."
    )
    current: signals.Current = Field(description="Its current sensor.")
    start_amps: values.Amps = Field(description="Start threshold: at or above this it is running.")
    stop_amps: values.Amps = Field(
        default_factory=_stop_amps, description="Stop threshold: below this it has stopped; default: 0.7 x start_amps."
    )
    start_after: values.Seconds = Field(0.0, description="It must draw start_amps for this long.")
    stop_after: values.Seconds = Field(0.0, description="It must stay below stop_amps for this long.")
    run_on: values.Seconds = Field(10.0, description="The collector runs on for this long after the tool has stopped.")
    silent_after: values.Seconds = Field(
        30.0, description="Silence that counts as a lost sensor; 0 = it speaks only on change."
    )
    run_limit: values.Seconds = Field(
        8 * 3600.0, description="Drawing for longer is a stuck sensor: muted; 0 = no limit."
    )
    full_load_amps: values.Amps | None = Field(None, description="From the motor's plate; only circuits need it.")
    online: signals.Contact | None = Field(None, description="The sensor's own will: active while it is there.")


class StopTable(signals.Contact):
    """A stop contact: an emergency stop's auxiliary contact, a spark or smoke detector."""

    collectors: tuple[values.NameOf, ...] | None = Field(None, description="Collectors that it stops; default: all.")


class UpkeepTable(TomlTable):
    """One kind of upkeep; `gatehand done NAME` starts its hours anew."""

    every_hours: values.Hours = Field(description="Hours of running after which it is due.")
    collector: values.NameOf | None = Field(
        None, description="The collector whose hours count; may be left out where there is one."
    )


COLLECTOR_MEMBER = "collector."
"""What a member begins with that is a collector and no tool."""


class CircuitTable(TomlTable):
    """A breaker and the machines behind it. A check of arithmetic; wiring is a licensed electrician's."""

    amps: values.Amps = Field(description="Rating of the breaker.")
    members: tuple[values.NameOf, ...] = Field(description='Tools by name, collectors as "collector.NAME".')
    start_gap: values.Seconds = Field(
        0.0, description="Least time between a tool's start and the collector's, so that inrushes do not meet."
    )
    voltage: values.Volts | None = Field(None, description="Voltage of the circuit, for reports of power.")
