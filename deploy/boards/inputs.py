"""Contacts and buttons, freed from their bounce. It reads no clock and no pin by itself: both are handed in."""

SETTLE_MS = 30
"""A contact has settled when it has said the same for so long: ten times what a good button bounces [from memory]."""


class Input:
    """One contact between a pin and ground; the pin is pulled up, so that an open contact or a broken wire reads 1.

    `closed` is None until it has settled for the first time.
    """

    def __init__(self, pin: "object", settle_ms: int = SETTLE_MS) -> None:
        self.closed: "bool | None" = None
        self.changed_at = 0
        """When `closed` last changed, or first settled: the time at which the contact began to say so."""
        self._pin = pin
        self._settle_ms = settle_ms
        self._raw: "bool | None" = None
        self._raw_at = 0

    def changed(self, now: int) -> bool:
        """Look at the pin; whether the settled contact is another than before."""
        raw = self._pin.value() == 0
        if raw != self._raw:
            self._raw = raw
            self._raw_at = now
        if raw == self.closed or now - self._raw_at < self._settle_ms:
            return False
        self.closed = raw
        self.changed_at = self._raw_at
        return True
