"""The shell's own alarms: config, log, broker, devices that are not heard or understood, the daemon itself.

Each is a function that says why it is raised and what to do next; those of the rules are `alarm_words`.
"""

from typing import Final

from gatehand.config.signals import Suction
from gatehand.journal.sentences import spoken
from gatehand.mqtt.payload import Rejected
from gatehand.shell.alarms import ShownAlarm
from gatehand.shell.suction_watch import Expected, Way
from gatehand.text import as_sentence, listed
from gatehand.times import local_stamp
from gatehand_rules.findings import DAEMON, Alarm

CONFIG: Final = Alarm("daemon", DAEMON, "config")
LOG: Final = Alarm("daemon", DAEMON, "log")
RECORDING: Final = Alarm("daemon", DAEMON, "recording")
MEMORY: Final = Alarm("daemon", DAEMON, "memory")
INTERNAL: Final = Alarm("daemon", DAEMON, "internal_error")
SAME_BASE: Final = Alarm("daemon", DAEMON, "same_base")
SUBSCRIPTIONS: Final = Alarm("daemon", DAEMON, "subscriptions")
RETAINED_COMMAND: Final = "retained_command"
"""What such an alarm is about, of whatever device."""
SUCTION_SILENT: Final = "suction_silent"
_MOST_SHOWN: Final = 3
_WHOSE: Final = {
    "stop": ("stop contact", ", so it may stop nothing"),
    "tool": ("sensor of", ", so it starts nothing"),
    "gate": ("gate", ", though it was told to open"),
    "collector": ("collector", ", though it was switched on"),
}
"""What a person calls the device, and what its silence means."""
_SENSOR: Final = ("suction sensor of collector", ", so nobody watches the suction")
_HIGH: Final = (
    "Too much suction: as a rule less air comes in than should. Look for a gate that is stuck shut though it reports "
    "open, and for a blocked hose, hood or duct. A filter that is torn or missing does the same."
)
_LOW: Final = (
    "Too little suction: the filter may be clogged, the lid of the bin or a duct may leak, a gate may be open that "
    "is taken for shut, a hood or a hose may have come off, or the sensor's own tube may be off or plugged."
)
_EITHER: Final = (
    "By this fan's curve the suction does not tell a blocked duct from an open one here. Look at the gates, the hoses "
    "and hoods, the filter, the lid of the bin, and the sensor's own tube."
)
_NO_BASELINE: Final = (
    "If nothing is wrong, the unit or the scale of the sensor is not right in the config, or its ducts are not those "
    "of the shop: then measure the shop's own baseline with `gatehand exercise --suction`. "
)
_LOOK_FOR: Final = {Way.HIGH: ("high", _HIGH), Way.LOW: ("low", _LOW)}


def retained_command(kind: str, name: str, topic: str) -> ShownAlarm:
    """A message is retained on one of our command topics."""
    return ShownAlarm(
        Alarm(kind, name, RETAINED_COMMAND),
        f"The broker retains a message on the command topic {topic!r}: a device that connects would act on it, "
        "however old it is.",
        "Find out who publishes there with retain and stop it; then remove what is retained by publishing an empty "
        f"retained message to {topic!r}.",
    )


def about_unheard(kind: str, name: str) -> Alarm:
    """The alarm of a device that was never heard, or never understood."""
    return Alarm(kind, name, "unheard")


def about_suction(collector: str, what: str) -> Alarm:
    """The alarm of a suction that is off, or of its sensor."""
    return Alarm("collector", collector, what)


def worded_suction(table: Suction, pascals: float, *, unit: bool = True) -> str:
    """In its sensor's unit: `1,240 Pa`, `4.98 in.w.g.`, for a sentence."""
    found = f"{table.in_unit(pascals):,.{0 if table.unit == 'Pa' else 2}f}"
    return f"{found} {table.unit}" if unit else found


def suction_off(name: str, way: Way, gates: str, table: Suction, pascals: float, *, expected: Expected) -> ShownAlarm:
    """The suction is not what it should be."""
    values = (pascals, expected.low, expected.high)
    found, low, high = (worded_suction(table, each, unit=number != 1) for number, each in enumerate(values))
    word, look = _LOOK_FOR[way]
    look = look if expected.tells_way else _EITHER
    since = expected.since
    by = "its ducts" if since is None else f"the baseline of {local_stamp(since)[:10]}"
    return ShownAlarm(
        about_suction(name, way),
        f"With {gates} the suction at collector {spoken(name)} is {found}, too {word}: between {low} and {high} "
        f"is expected, by {by}.",
        f"{look} Switch the collector off and lock it out before you reach in. {'' if since else _NO_BASELINE}"
        "Gatehand does not stop the fan for this; the alarm ends when the suction is as it should be.",
        facts=(("pascals", round(values[0], 1)), ("low", round(values[1], 1)), ("high", round(values[2], 1))),
    )


def suction_silent(name: str, topic: str, seconds: float) -> ShownAlarm:
    """Its sensor has spoken before, and says nothing while the fan runs."""
    return ShownAlarm(
        about_suction(name, SUCTION_SILENT),
        f"No reading from the {_SENSOR[0]} {spoken(name)} for {seconds:.0f} s while the fan runs{_SENSOR[1]}.",
        f"Look at the sensor's power and network, and at what comes on {topic}. The alarm ends with its next reading.",
        facts=(("topic", topic),),
    )


def unheard(kind: str, name: str, topic: str, key: str = "") -> ShownAlarm:
    """A device that ought to have spoken by now has not."""
    what, then = _SENSOR if key == "suction" else _WHOSE[kind]
    return ShownAlarm(
        about_unheard(kind, name),
        f"The {what} {spoken(name)} has never been heard: nothing has come on {topic}{then}.",
        f"Look at the topic in [{kind}.{name}] of the config and at the device's power and network; `gatehand listen` "
        "shows what speaks. The alarm ends with its first word there.",
        facts=(("topic", topic),),
    )


def not_understood(kind: str, name: str, key: str, topic: str, bad: Rejected) -> ShownAlarm:
    """A device speaks, and not as its table says."""
    what, _ = _SENSOR if key == "suction" else _WHOSE[kind]
    return ShownAlarm(
        about_unheard(kind, name),
        f"The {what} {spoken(name)} is heard, but not understood: on {topic} it said {bad.shown!r} "
        f"({bad.why}).{' It stops nothing.' if kind == 'stop' and key != 'online' else ''}",
        f"Correct [{kind}.{name}] in the config ({key}: topic, pointer, words), or what the device sends; then "
        f"`gatehand exercise {name}`.",
        facts=(("topic", topic), ("says", bad.shown), ("wanted", bad.why)),
    )


def config_rejected(problems: list[str]) -> ShownAlarm:
    """A changed config has errors; the last good one is still in force."""
    shown = problems[:_MOST_SHOWN]
    more = f" (and {len(problems) - len(shown)} more)" if len(problems) > len(shown) else ""
    return ShownAlarm(
        CONFIG,
        as_sentence(f"the changed config was not taken, the last good one is still in force: {'; '.join(shown)}{more}"),
        "Correct the file; it is read again by itself. `gatehand check` shows every problem.",
        facts=(("problems", problems),),
        news=True,
    )


def config_unreadable(why: str) -> ShownAlarm:
    """There is nothing to read where the config was; the last good one is still in force."""
    return ShownAlarm(
        CONFIG,
        f"The config {why}. The last good one is still in force.",
        "Put the file back where it was, readable by the daemon's user; it is read again by itself. Without it the "
        "daemon cannot start again.",
        news=True,
    )


def config_waits(why: str) -> ShownAlarm:
    """A good config that cannot be taken yet."""
    return ShownAlarm(
        CONFIG,
        f"The changed config waits: {why}.",
        "Nothing needs to be done; it is taken when the fan has stopped turning.",
        news=True,
    )


def log_trouble(why: str) -> ShownAlarm:
    """Log lines are being lost."""
    return ShownAlarm(
        LOG,
        f"The event log cannot be written: {why}. Lines are lost and counted; the collector keeps running as usual.",
        "Make room on the disk, or look at its health; writing resumes by itself.",
    )


def recording_trouble(why: str) -> ShownAlarm:
    """Readings are not being recorded."""
    return ShownAlarm(
        RECORDING,
        f"Readings are not recorded: {why}.",
        "Make room on the disk, or lower log.readings_limit_mb; recording resumes by itself.",
    )


def memory_trouble(why: str, held: tuple[str, ...]) -> ShownAlarm:
    """What must outlive a power cut is not on the disk. `held`: the collectors that are held now."""
    s = "s" if len(held) > 1 else ""
    of_whom = f"The hold{s} of {listed(map(spoken, held), last='and')}" if held else ""
    what = of_whom or "What must outlive a power cut (holds, resets)"
    return ShownAlarm(
        MEMORY,
        f"{what} could not be written to state.json: {why}.",
        "Make room on the disk of the state folder, or let the daemon write there; it tries again by itself. Until "
        f"then lock the collector{s} out at the plug or breaker: after a power cut the hold{s} may be forgotten.",
        facts=(("held", list(held)),),
    )


def internal_error(text: str) -> ShownAlarm:
    """A mistake in the daemon itself."""
    return ShownAlarm(
        INTERNAL,
        f"The daemon failed inside and put every collector on hold: {text}.",
        "Report it with the event log of this hour (`gatehand log`); restart the daemon, then `gatehand reset`.",
    )


def subscription_refused(topics: tuple[str, ...]) -> ShownAlarm:
    """The broker does not let us listen."""
    return ShownAlarm(
        SUBSCRIPTIONS,
        f"The broker refuses the subscription to {', '.join(topics)}; what is said there is not heard.",
        "Let the daemon's user read these topics in the broker's access list (`gatehand access` prints one); "
        "the daemon tries again by itself.",
        facts=(("topics", list(topics)),),
    )


def same_base(text: str) -> ShownAlarm:
    """Two daemons work one shop."""
    return ShownAlarm(
        SAME_BASE,
        f"Two daemons publish under one base: {text}.",
        "Stop one of them, or give it a base of its own: two that move the same gates and fans undo each "
        "other's safety.",
    )
