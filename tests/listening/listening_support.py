"""What the tests of `listening` share."""

from gatehand.listening.observed import Listening


def heard(*said: tuple[float, str, bytes | str, bool] | tuple[float, str, bytes | str]) -> Listening:
    """A listening of (time, topic, payload, retained) in order."""
    found = Listening()
    for at, topic, payload, *retained in said:
        found.take(topic, payload.encode() if isinstance(payload, str) else payload, bool(retained and retained[0]), at)
    return found
