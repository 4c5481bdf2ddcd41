"""Stands in for MicroPython's `network`: one Wi-Fi station."""

from world import WORLD

STA_IF = 0


class WLAN:
    """The station: joined while the world has Wi-Fi and it was asked to."""

    PM_NONE = 0

    def __init__(self, interface=STA_IF):
        self._asked = False

    def active(self, on=None):
        """Switch it on."""
        return True

    def config(self, **_more):
        """Settings."""

    def isconnected(self):
        """Whether it is joined."""
        WORLD.look()
        return self._asked and WORLD.wifi

    def connect(self, ssid, password):
        """Join; it takes a while."""
        self._asked = True

    def disconnect(self):
        """Leave."""
        self._asked = False
