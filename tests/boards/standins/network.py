"""Stands in for MicroPython's `network`: one Wi-Fi station, of the kind that joins once and tries no second time."""

from world import WORLD

STA_IF = 0
STAT_IDLE = 0
STAT_CONNECTING = 1
STAT_GOT_IP = 3
STAT_NO_AP_FOUND = -2
JOIN_US = 1_000_000
"""What joining takes [from memory: one to three seconds]."""
SEEK_US = 2_000_000
"""So long it looks for the Wi-Fi before it gives up [from memory]."""


class WLAN:
    """The station: joined a second after it was asked to, if the Wi-Fi was there for all of it, until it goes."""

    PM_NONE = 0

    def __init__(self, interface=STA_IF):
        self._asked_us = None
        self._seen_us = None
        self._joined = False

    def active(self, on=None):
        """Switch it on."""
        return True

    def config(self, **_more):
        """Settings."""

    def isconnected(self):
        """Whether it is joined."""
        return self.status() == STAT_GOT_IP

    def status(self):
        """What has become of the attempt to join."""
        WORLD.look()
        if not WORLD.led:
            self._joined = self._asked_us is not None and WORLD.wifi
        elif self._joined:
            self._joined = WORLD.wifi
            if not self._joined:
                self._asked_us = None
        elif self._asked_us is not None and WORLD.us() - self._asked_us <= SEEK_US + JOIN_US:
            if not WORLD.wifi:
                self._seen_us = None
            elif self._seen_us is None:
                self._seen_us = WORLD.us()
            elif WORLD.us() - self._seen_us >= JOIN_US:
                self._joined = True
                WORLD.note("joined", 0, 1)
            return STAT_GOT_IP if self._joined else STAT_CONNECTING
        if self._joined:
            return STAT_GOT_IP
        return STAT_IDLE if self._asked_us is None else STAT_NO_AP_FOUND

    def connect(self, ssid, password):
        """Join; it takes a while."""
        self._asked_us = WORLD.us()
        self._seen_us = None

    def disconnect(self):
        """Leave."""
        self._asked_us = None
        self._joined = False
