"""The shell's own alarms: what is wrong with the config, the log, the broker or the daemon itself, in sentences.

The rules' alarms find their words in `alarm_words`.
"""

from typing import Final

from gatehand.mqtt.payload import Rejected
from gatehand.shell.alarms import ShownAlarm
from gatehand.shell.routes import RetainedCommand
from gatehand_rules.alarms import DAEMON, Alarm

CONFIG: Final = Alarm("daemon", DAEMON, "config")
LOG: Final = Alarm("daemon", DAEMON, "log")
RECORDING: Final = Alarm("daemon", DAEMON, "recording")
MEMORY: Final = Alarm("daemon", DAEMON, "memory")
INTERNAL: Final = Alarm("daemon", DAEMON, "internal_error")
SAME_BASE: Final = Alarm("daemon", DAEMON, "same_base")
SUBSCRIPTIONS: Final = Alarm("daemon", DAEMON, "subscriptions")
_RETAINED_COMMAND: Final = "retained_command"
_MOST_SHOWN: Final = 3
_WHOSE: Final = {
    "stop": ("stop contact", ", so it may stop nothing"),
    "tool": ("sensor of", ", so it starts nothing"),
    "gate": ("gate", ", though it was told to open"),
    "collector": ("collector", ", though it was switched on"),
}
"""What a person calls the device, and what its silence means."""


def about_retained(found: RetainedCommand) -> Alarm:
    """Its alarm."""
    return Alarm(found.kind, found.name, _RETAINED_COMMAND)


def is_retained_command(alarm: Alarm) -> bool:
    """Whether it is the alarm of a retained command."""
    return alarm.what == _RETAINED_COMMAND


def retained_command(found: RetainedCommand, wall: float) -> ShownAlarm:
    """A message is retained on one of our command topics."""
    return ShownAlarm(
        about_retained(found),
        wall,
        f"The broker retains a message on the command topic {found.topic!r}: a device that connects would act on it, "
        "however old it is.",
        "Find out who publishes there with retain and stop it; then remove what is retained by publishing an empty "
        f"retained message to {found.topic!r}.",
        ((found.kind, found.name),),
    )


def about_unheard(kind: str, name: str) -> Alarm:
    """The alarm of a device that was never heard, or never understood."""
    return Alarm(kind, name, "unheard")


def unheard(kind: str, name: str, topic: str, wall: float) -> ShownAlarm:
    """A device that ought to have spoken by now has not."""
    what, then = _WHOSE[kind]
    return ShownAlarm(
        about_unheard(kind, name),
        wall,
        f"The {what} {name.replace('_', ' ')} has never been heard: nothing has come on {topic}{then}.",
        f"Look at the topic in [{kind}.{name}] of the config and at the device's power and network; gatehand listen "
        "shows what speaks. The alarm ends with its first word there.",
        ((kind, name),),
        facts=(("topic", topic),),
    )


def not_understood(kind: str, name: str, key: str, topic: str, bad: Rejected, *, wall: float) -> ShownAlarm:
    """A device speaks, and not as its table says."""
    what, _ = _WHOSE[kind]
    return ShownAlarm(
        about_unheard(kind, name),
        wall,
        f"The {what} {name.replace('_', ' ')} speaks and is not understood: on {topic} it said {bad.shown!r} "
        f"({bad.why}).{' It stops nothing.' if kind == 'stop' else ''}",
        f"Mend [{kind}.{name}] in the config ({key}: topic, pointer, words), or what the device says.",
        ((kind, name),),
        facts=(("topic", topic), ("says", bad.shown), ("wanted", bad.why)),
    )


def config_rejected(problems: list[str], wall: float) -> ShownAlarm:
    """A changed config has errors; the last good one is still in force."""
    shown = problems[:_MOST_SHOWN]
    more = f" (and {len(problems) - len(shown)} more)" if len(problems) > len(shown) else ""
    return ShownAlarm(
        CONFIG,
        wall,
        f"The changed config was not taken, the last good one is still in force: {'; '.join(shown)}{more}",
        "Mend the file; it is read again by itself. gatehand check shows every problem.",
        facts=(("problems", problems),),
    )


def config_unreadable(why: str, wall: float) -> ShownAlarm:
    """There is nothing to read where the config was; the last good one is still in force."""
    return ShownAlarm(
        CONFIG,
        wall,
        f"The config {why}. The last good one is still in force.",
        "Put the file back where it was, readable for the daemon's user; it is read again by itself. Without it the "
        "daemon does not start a second time.",
    )


def config_waits(why: str, wall: float) -> ShownAlarm:
    """A good config that cannot be taken yet."""
    return ShownAlarm(
        CONFIG,
        wall,
        f"The changed config waits: {why}.",
        "Nothing needs to be done; it is taken when the fan stands still.",
    )


def log_trouble(why: str, wall: float) -> ShownAlarm:
    """Log lines are being lost."""
    return ShownAlarm(
        LOG,
        wall,
        f"The event log cannot be written: {why}. Lines are lost and counted; the collector is worked all the same.",
        "Make room on the disk, or look at its health; writing resumes by itself.",
    )


def recording_trouble(why: str, wall: float) -> ShownAlarm:
    """Readings are not being recorded."""
    return ShownAlarm(
        RECORDING,
        wall,
        f"Readings are not recorded: {why}.",
        "Make room on the disk, or lower log.readings_limit_mb; recording resumes by itself.",
    )


def memory_trouble(why: str, held: tuple[str, ...], wall: float) -> ShownAlarm:
    """What must outlive a power cut is not on the disk. `held`: the collectors that are held now."""
    what = f"The hold of {', '.join(held)}" if held else "What must outlive a power cut (holds, resets)"
    return ShownAlarm(
        MEMORY,
        wall,
        f"{what} could not be written to state.json: {why}.",
        "Make room on the disk of the state folder, or let the daemon write there; it is tried again by itself. Until "
        "then lock the machine out by its own switch: after a power cut the hold may be forgotten.",
        facts=(("held", list(held)),),
    )


def internal_error(text: str, wall: float) -> ShownAlarm:
    """A mistake in the daemon itself."""
    return ShownAlarm(
        INTERNAL,
        wall,
        f"The daemon made a mistake and holds every collector: {text}.",
        "Report it with the event log of this hour; restart the daemon, then reset the hold.",
    )


def subscription_refused(topics: tuple[str, ...], wall: float) -> ShownAlarm:
    """The broker does not let us listen."""
    return ShownAlarm(
        SUBSCRIPTIONS,
        wall,
        f"The broker refuses the subscription to {', '.join(topics)}; what is said there is not heard.",
        "Give the daemon's user leave to read these topics in the broker's access list; it is tried again by itself.",
        facts=(("topics", list(topics)),),
    )


def same_base(text: str, wall: float) -> ShownAlarm:
    """Two daemons work one shop."""
    return ShownAlarm(
        SAME_BASE,
        wall,
        f"Two daemons publish under one base: {text}.",
        "Stop one of them: two that work the same gates and fans undo each other's safety.",
    )
