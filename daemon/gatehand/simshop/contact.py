"""A contact: an emergency stop, a full bin, a device that is there or gone. It says what it is when that changes."""

from gatehand.config.signals import Contact
from gatehand.simshop.voice import Voice


class ContactModel:
    """One contact. `retains`: the broker keeps its last word, as most contacts ask for."""

    def __init__(self, heard: Contact, voice: Voice, *, active: bool = False, retains: bool = True) -> None:
        self._heard = heard
        self._voice = voice
        self._retains = retains
        self.active = active

    def begin(self, at: float) -> None:
        """Say what it is, as a device does when it comes up."""
        self._say(at)

    def set(self, *, active: bool, at: float) -> None:
        """Close or open it; says so when it changes."""
        if active != self.active:
            self.active = active
            self._say(at)

    def answer(self, at: float) -> None:
        """It is asked what it is."""
        self._say(at)

    def _say(self, at: float) -> None:
        word = self._heard.active if self.active else self._heard.clear
        self._voice.word(self._heard, word, at, retain=self._retains)
