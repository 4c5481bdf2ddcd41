"""What an alarm is, and every alarm of the rules: a changed shop knows by it which can still stand.

Words are the daemon's. No f-string but the one here makes an id.
"""

from typing import Final

from gatehand_rules.shop import Shop
from gatehand_rules.words import Record


class Alarm(Record, frozen=True, order=True):
    """What is the matter with whom, such as the fault of a gate. `what` is one of `WHATS`, or the daemon's own word."""

    kind: str
    """Of the subject: tool, gate, collector, stop, daemon."""
    name: str
    what: str

    @property
    def id(self) -> str:
        """`kind.name.what`, fit for one topic level. Names hold no dots, so no two alarms share an id."""
        return f"{self.kind}.{self.name}.{self.what}"

    @classmethod
    def of(cls, id_: str) -> "Alarm | None":
        """The alarm of an id, or None where it is none."""
        parts = id_.split(".")
        return cls(*parts) if len(parts) == _PARTS and all(parts) else None


_PARTS = 3

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


def alarms_of(shop: Shop) -> frozenset[Alarm]:
    """Every alarm that the rules can raise in this shop."""
    subjects = {**shop.names, "daemon": [DAEMON] if shop.stops else []}
    return frozenset(Alarm(kind, name, what) for kind in subjects for name in subjects[kind] for what in WHATS[kind])
