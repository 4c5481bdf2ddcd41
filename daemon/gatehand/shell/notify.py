"""Tells the service manager how we are: ready, alive, stopping. Ten lines of its datagram protocol (sd_notify)."""

import contextlib
import os
import socket


def notify(*states: str) -> bool:
    """Send states such as "READY=1" or "WATCHDOG=1". False without a service manager that listens."""
    address = os.environ.get("NOTIFY_SOCKET", "")
    if not address:
        return False
    if address.startswith("@"):  # Linux's abstract namespace
        address = "\0" + address[1:]
    with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as sock:
        sock.setblocking(False)  # a manager that is busy must not keep the fan waiting
        sock.connect(address)
        sock.sendall("\n".join(states).encode())
        return True
    return False
