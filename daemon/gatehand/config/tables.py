"""The config's tables, key by key: the shop's devices, the broker, log and upkeep. The ducts' stand in `air.py`.

Connecting to the broker belongs to `gatehand.mqtt`, writing the log to `gatehand.journal`.
"""

from pathlib import Path
from typing import Annotated, Any, Final, Literal

from pydantic import Field, PlainValidator, WithJsonSchema

from gatehand import times
from gatehand.config.signals import (
    Button,
    Contact,
    Current,
    GateCommand,
    GateState,
    ResetButton,
    SwitchCommand,
    SwitchState,
)
from gatehand.config.values import (
    Amps,
    Base,
    Count,
    FilePath,
    Flag,
    Hours,
    KeepDays,
    Level,
    Megabytes,
    NameOf,
    PlainText,
    Port,
    Retries,
    Seconds,
    SomeCount,
    SomeSeconds,
    Table,
    Volts,
    fail,
    plain,
)
from gatehand.text import found

LONGEST_KEEPALIVE: Final = 300
"""Beyond this a dead broker would go unnoticed for ten minutes."""


def _host(value: object) -> str:
    if not isinstance(value, str) or not value or any(char.isspace() for char in value):
        raise fail(f'{found(value)}; wanted a host name or address in quotes, such as "127.0.0.1"')
    if "://" in value:
        raise fail(
            f'{found(value)}; wanted the host alone, without "{value.partition("://")[0]}://"; the port has its own key'
        )
    return plain(value)


Host = Annotated[str, PlainValidator(_host), WithJsonSchema({"type": "string", "minLength": 1, "pattern": r"^\S+$"})]


def _keepalive(value: object) -> int:
    try:
        length = times.seconds(value)
    except times.NoDurationError as error:
        raise fail(f"{found(value)}; {error}") from None
    if length != int(length) or not 1 <= length <= LONGEST_KEEPALIVE:
        raise fail(f"{found(value)}; wanted whole seconds from 1 to {LONGEST_KEEPALIVE}")
    return int(length)


Keepalive = Annotated[
    int,
    PlainValidator(_keepalive),
    WithJsonSchema(
        {
            "anyOf": [
                {"type": "integer", "minimum": 1, "maximum": LONGEST_KEEPALIVE},
                {"type": "string", "pattern": times.PATTERN},
            ]
        }
    ),
]


class Tls(Table):
    """Encryption to the broker. An empty table means: verify with the system's certificates."""

    ca_file: FilePath | None = Field(
        None, description="Certificate that the broker's must be signed by; default: the system's."
    )
    cert_file: FilePath | None = Field(None, description="Own certificate, where the broker asks for one.")
    key_file: FilePath | None = Field(None, description="Private key of cert_file.")


class Broker(Table):
    """The broker and the daemon's place on it."""

    host: Host = Field("127.0.0.1", description="Host name or address of the broker.")
    port: Port = Field(1883, description="TCP port; brokers with TLS usually listen on 8883.")
    protocol: Literal["5", "3.1.1"] = Field(
        "5", description="MQTT version; falls back to 3.1.1 when the broker knows no 5."
    )
    client_id: PlainText | None = Field(
        None,
        description="MQTT client id, unique on the broker; default: base and 8 random hex digits, new at each start.",
    )
    keepalive: Keepalive = Field(6, description="Whole seconds; a dead connection is noticed after about twice this.")
    username: PlainText | None = Field(None, description="Login name, where the broker asks for one.")
    password_file: FilePath | None = Field(
        None, description="File whose first line is the password; readable by the daemon only."
    )
    tls: Tls | None = Field(None, description="Encryption; tls = {} verifies with the system's certificates.")
    base: Base = Field("gatehand", description="Topic under which the daemon publishes its own state.")


class Log(Table):
    """The event log and the recorded readings."""

    folder: FilePath = Field(Path("log"), description="Folder of the event log, relative to this file.")
    keep_days: KeepDays = Field(400, description="Event files older than this are deleted; 0 = keep all.")
    readings_limit_mb: Megabytes = Field(
        200, description="Recorded readings keep within this size, oldest dropped first; 0 = none."
    )


class Homie(Table):
    """The open convention's switch and its topic domain."""

    enabled: Flag = Field(False, description="Publish as a Homie 5 device: read-only but for hand start and reset.")
    domain: Level = Field("homie", description="First topic level of the convention.")


class Collector(Table):
    """A dust collector."""

    command: SwitchCommand = Field(description="Where its switch is told on and off.")
    state: SwitchState | None = Field(None, description="Where its switch reports back.")
    current: Current | None = Field(None, description="Its motor's current: proves that it turns.")
    running_amps: Amps = Field(2.0, description="At or above this current the motor counts as turning.")
    full_load_amps: Amps | None = Field(None, description="From the motor's plate; only circuits need it.")
    spin_up: Seconds = Field(3.0, description="Until the air moves at full flow.")
    coast_down: Seconds = Field(8.0, description="The fan still moves air for this long after off.")
    refresh: Seconds = Field(
        20.0, description="Repeats the command, so that a switch with its own time limit fails safe; 0 = never."
    )
    min_open: Count = Field(1, description="Gates that must be proven open before it starts; 0 = a hose without gate.")
    max_open: SomeCount | None = Field(None, description="Most gates told to stand open at once; default: no limit.")
    starts_per_hour: SomeCount | None = Field(
        None, description="Starts an hour that the motor bears, kept by running on for longer; default: no limit."
    )
    bin_full: Contact | None = Field(None, description="The bin's level contact.")
    on_bin_full: Literal["refuse", "warn"] = Field(
        "refuse", description="With a full bin: refuse starts, or only warn."
    )
    rest: Literal["shut", "leave"] = Field(
        "shut", description="Its gates after coast-down: shut, or leave (fewer movements)."
    )
    reset: ResetButton | None = Field(
        None, description="A button that ends a hold: released, pressed for 0.1 to 2 s, once its cause is gone."
    )
    online: Contact | None = Field(None, description="The switch's own will: active while it is there.")


class Gate(Table):
    """A blast gate."""

    collector: NameOf | None = Field(
        None, description="The collector it belongs to; may be left out where there is one."
    )
    command: GateCommand | None = Field(
        None, description="Where it is told to move; without it the gate is moved by hand."
    )
    state: GateState | None = Field(None, description="Where it reports its position; needed without command.")
    travel: SomeSeconds = Field(1.5, description="Time allowed to move; then a gate with state is told again.")
    retries: Retries = Field(2, description="How often it is told again before it is a fault.")
    button: Button | None = Field(None, description="Its button: starts and ends a hand start.")
    hand_limit: SomeSeconds = Field(1800.0, description="The longest hand start.")
    relief: Flag = Field(False, description="Opens first when the fan turns against shut gates.")
    on_hand_open: Literal["start", "ignore"] | None = Field(
        None,
        description="Opened without our command: start the collector, or ignore; "
        "default: start for a gate without command that serves no tool, else ignore.",
    )
    online: Contact | None = Field(None, description="The gate's own will: active while it is there.")


STOP_SHARE = 0.7
"""`stop_amps` where it is not given, as a share of `start_amps`: common practice, no published source."""


def _stop_amps(given: dict[str, Any]) -> float:
    return round(STOP_SHARE * float(given["start_amps"]), 3)


class Tool(Table):
    """A tool."""

    gates: tuple[NameOf, ...] = Field((), description="Gates that it needs open.")
    assist: tuple[NameOf, ...] = Field(
        (), description="Gates opened with its own to keep the main moving; never waited for."
    )
    collector: NameOf | None = Field(
        None, description="Its collector; only for a tool without gates, where there are several."
    )
    current: Current = Field(description="Its current sensor.")
    start_amps: Amps = Field(description="Start threshold: at or above this it is running.")
    stop_amps: Amps = Field(
        default_factory=_stop_amps, description="Stop threshold: below this it has stopped; default: 0.7 x start_amps."
    )
    start_after: Seconds = Field(0.0, description="It must draw start_amps for this long.")
    stop_after: Seconds = Field(0.0, description="It must stay below stop_amps for this long.")
    run_on: Seconds = Field(10.0, description="The collector runs on for this long after the tool has stopped.")
    silent_after: Seconds = Field(
        30.0, description="Silence that counts as a lost sensor; 0 = it speaks only on change."
    )
    run_limit: Seconds = Field(8 * 3600.0, description="Drawing for longer is a stuck sensor: muted; 0 = no limit.")
    full_load_amps: Amps | None = Field(None, description="From the motor's plate; only circuits need it.")
    online: Contact | None = Field(None, description="The sensor's own will: active while it is there.")


class Stop(Contact):
    """A stop contact: an emergency stop's auxiliary contact, a spark or smoke detector."""

    collectors: tuple[NameOf, ...] | None = Field(None, description="Collectors that it stops; default: all.")


class Upkeep(Table):
    """One kind of upkeep; `gatehand done NAME` starts its hours anew."""

    every_hours: Hours = Field(description="Hours of running after which it is due.")
    collector: NameOf | None = Field(
        None, description="The collector whose hours count; may be left out where there is one."
    )


COLLECTOR_MEMBER = "collector."
"""What a member begins with that is a collector and no tool."""


class Circuit(Table):
    """A breaker and the machines behind it. A check of arithmetic; wiring is a licensed electrician's."""

    amps: Amps = Field(description="Rating of the breaker.")
    members: tuple[NameOf, ...] = Field(description='Tools by name, collectors as "collector.NAME".')
    start_gap: Seconds = Field(
        0.0, description="Least time between a tool's start and the collector's, so that inrushes do not meet."
    )
    voltage: Volts | None = Field(None, description="Voltage of the circuit, for reports of power.")
