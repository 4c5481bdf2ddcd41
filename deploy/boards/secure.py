"""TLS to the broker, and the clock by which its certificate's dates are judged. Loaded only where settings.json asks.

MicroPython reads certificates as DER alone, so a PEM file (what every broker's guide makes) is taken apart here. The
clock is set by a time server, by SNTP (RFC 4330), which nobody signs: it is good for the dates of certificates, and
nothing else on a board asks for it.
"""

import binascii
import errno
import os
import socket
import ssl
import struct

from settings import numeric

TYPE_CHECKING = False
if TYPE_CHECKING:
    from collections.abc import Callable
    from typing import Any

ASK_MS = 1000
"""Between two questions to the time server."""
PATIENCE_MS = 5000
"""So long a connection waits for the time; then it is tried as things are: some clocks are kept by a battery."""
_PORT = 123
_SINCE_1900 = 2208988800
"""Seconds from 1900, where the time of RFC 4330 begins, to 1970 (section 3)."""
_OLDEST = 1767225600
"""2026: no server that is right says less."""


def certificate(file: str) -> bytes:
    """The first certificate of a file in PEM (RFC 7468) or DER, as DER.

    Raises:
        ValueError: it holds none.
        OSError: it cannot be read.
    """
    with open(file, "rb") as opened:
        raw = opened.read()
    if b"-----BEGIN" not in raw:
        return raw
    try:
        return binascii.a2b_base64(raw.split(b"-----BEGIN CERTIFICATE-----")[1].split(b"-----END")[0])
    except (IndexError, ValueError):
        raise ValueError("%s holds no certificate; wanted that of the broker's authority" % file)


def wrapper(ca_file: str, server_name: str) -> "Callable[[Any], Any]":
    """A function that makes a TLS stream of a connected socket, whose handshake goes on with its first writes.

    Args:
        ca_file: the authority that must have signed the broker's certificate.
        server_name: the name that the certificate must hold. An address is found there by newer builds alone (seen with
            Mbed TLS 3.6), a name by all.

    Raises:
        ValueError: the file holds no certificate.
        OSError: it cannot be read.
    """
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.verify_mode = ssl.CERT_REQUIRED
    try:
        context.load_verify_locations(cadata=certificate(ca_file))
    except ValueError:
        raise ValueError("%s: its certificate cannot be read" % ca_file)
    return lambda sock: context.wrap_socket(sock, server_hostname=server_name, do_handshake_on_connect=False)


def date(seconds: int) -> "tuple[int, int, int, int, int, int, int]":
    """Year, month, day, weekday (Monday is 0), hour, minute, second (UTC) of seconds since 1970.

    Source: the civil calendar of 146,097 days in 400 years, counted from 1 March.
    """
    days, rest = seconds // 86400, seconds % 86400
    shifted = days + 719468
    era, day = shifted // 146097, shifted % 146097
    year = (day - day // 1460 + day // 36524 - day // 146096) // 365
    day -= 365 * year + year // 4 - year // 100
    month = (5 * day + 2) // 153
    day -= (153 * month + 2) // 5
    year, month = year + 400 * era, month + 3
    if month > 12:
        year, month = year + 1, month - 12
    return year, month, day + 1, (days + 3) % 7, rest // 3600, rest // 60 % 60, rest % 60


class Clock:
    """Sets the board's clock once, from a time server, without waiting for it.

    Args:
        address: of the time server, numeric.
        set_clock: is handed the date (as `date` gives it) once it is known; None: the board's own clock.

    Raises:
        ValueError: the address is a name.
    """

    def __init__(self, address: str, set_clock: "Callable[..., None] | None" = None, port: int = _PORT) -> None:
        if not numeric(address):
            raise ValueError("time_server is %r; wanted a number such as 192.168.1.1, as names block" % address)
        self.done = False
        """Whether the clock is set."""
        self.why = ""
        """What keeps it from being set."""
        self._set = _rtc if set_clock is None else set_clock
        self._to = socket.getaddrinfo(address, port)[0][-1]
        self._sock: Any = None
        self._begun = self._asked = -1
        self._question = b""

    def tick(self, now: int) -> bool:
        """Ask, or look for the answer; whether there is nothing (any more) to wait for."""
        if self.done:
            return True
        if self._begun < 0:
            self._begun = now
        try:
            if self._sock is None:
                self._sock = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
                self._sock.setblocking(False)
            if self._asked < 0 or now - self._asked >= ASK_MS:
                self._ask(now)
            self._answer()
        except OSError as error:
            if error.errno != errno.EAGAIN:
                self.why = "the time server cannot be asked: %s" % error
        if not self.done and now - self._begun >= PATIENCE_MS and not self.why:
            self.why = "the time server does not answer"
        return self.done or now - self._begun >= PATIENCE_MS

    def close(self) -> None:
        """Let go of the socket."""
        if self._sock is not None:
            self._sock.close()
            self._sock = None

    def _ask(self, now: int) -> None:
        self._asked = now
        # Version 4, mode 3: a client. What stands for our own time is a number that the answer must repeat (section 5).
        self._question = bytes([0x23]) + bytes(39) + os.urandom(8)
        self._sock.sendto(self._question, self._to)

    def _answer(self) -> None:
        answer = self._sock.recvfrom(64)[0]
        if len(answer) < 48 or answer[24:32] != self._question[40:48]:
            return  # of an older question, or of nobody
        leap, mode, stratum = answer[0] >> 6, answer[0] & 7, answer[1]
        told = struct.unpack(">I", answer[40:44])[0]
        # Section 3: from 2036 on the count begins anew; its first bit tells the two eras apart.
        seconds = told + (0 if told & 0x80000000 else 1 << 32) - _SINCE_1900
        # Section 5: leap 3 is a server that does not know the time itself, stratum 0 one that asks to be left alone.
        if mode != 4 or leap == 3 or not 0 < stratum < 16 or not told or seconds < _OLDEST:
            self.why = "the time server does not know the time"
            return
        self._set(date(seconds))
        self.done, self.why = True, ""
        self.close()


def _rtc(when: "tuple[int, int, int, int, int, int, int]") -> None:
    from machine import RTC

    RTC().datetime(when + (0,))
