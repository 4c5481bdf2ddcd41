"""`[broker]`: the daemon's login is nobody else's, or the access list would give that user the daemon's rights."""

from collections.abc import Iterator

from gatehand.config.partial import Partial
from gatehand.config.problems import Fault
from gatehand.text import shown

_PEOPLE = {"viewer": "whoever may only look", "hands": "a screen with buttons"}
_DEVICES = ("collector", "gate", "tool", "stop")


def check(partial: Partial) -> Iterator[Fault]:
    """A fault when the login is one that the access list gives to a person, a screen or a device."""
    username = partial.config.broker.username
    if username is None or partial.is_spoilt("broker", "username"):
        return
    whose = _PEOPLE.get(username)
    kind, _, name = username.partition("-")
    if kind in _DEVICES and name in partial.declared(kind):
        whose = f"the device of [{kind}.{name}]"
    if whose is not None:
        text = (
            f"found {shown(username)}, the login of {whose} in the broker's access list: "
            'wanted one that only the daemon has, such as "gatehand"'
        )
        yield Fault(("broker", "username"), text)
