"""Alarm ids: `kind.name.what`, such as `gate.band_saw.fault`. Names hold no dots, so no two alarms share an id.

Every alarm of the rules is named here: a changed shop knows by it which can still stand. Words are the daemon's.
"""

from typing import Final

from gatehand_rules.shop import Shop

WHATS: Final[dict[str, tuple[str, ...]]] = {
    "tool": ("not_fresh", "silent", "run_limit", "max_open", "not_served", "offline"),
    "gate": ("fault", "max_open", "not_served", "offline"),
    "collector": ("held", "no_answer", "shut_gates", "too_few_gates", "bin_full", "offline"),
    "stop": ("active", "unclear"),
    "daemon": ("stops_unheard",),
}
"""What an alarm of each kind of subject can be about."""


DAEMON: Final = "main"
"""The name in the daemon's own alarms."""


def alarm_id(kind: str, name: str, what: str) -> str:
    """The id of the alarm `what` of one subject."""
    return f"{kind}.{name}.{what}"


def alarm_parts(alarm: str) -> tuple[str, str, str]:
    """Kind, name and what of an id; empty texts where it is none."""
    kind, _, rest = alarm.partition(".")
    name, _, what = rest.partition(".")
    return (kind, name, what) if what else ("", "", alarm)


def alarms_of(shop: Shop) -> frozenset[str]:
    """Every alarm that the rules can raise in this shop."""
    subjects = (("tool", shop.tools), ("gate", shop.gates), ("collector", shop.collectors), ("stop", shop.stops))
    own = frozenset(alarm_id("daemon", DAEMON, what) for what in WHATS["daemon"] if shop.stops)
    return own | {alarm_id(kind, one.name, what) for kind, all_ in subjects for one in all_ for what in WHATS[kind]}
