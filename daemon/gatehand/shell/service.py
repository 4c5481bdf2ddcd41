"""The process as a service: what it says on standard error and to the service manager, and how small it stays.

The daemon's own diagnostics are for whoever runs it; why a gate moved stands in the event log. structlog is set up
once, here, with `rich` out of its sight: structlog loads all of it for pretty tracebacks where it is installed, which
costs a start 170 ms and 5 MB. Under systemd, lines carry no time (the journal has its own) and start with the priority
that the journal reads.
"""

import contextlib
import ctypes
import gc
import os
import socket
import sys
from typing import TYPE_CHECKING, Any, Final, TextIO

if TYPE_CHECKING:
    from structlog.typing import EventDict, FilteringBoundLogger, WrappedLogger

_PRIORITY = {"debug": 7, "info": 6, "warning": 4, "error": 3, "critical": 2}
_LEVEL = {"debug": 10, "info": 20, "warning": 30, "error": 40}
_NOT_FOR_US: Final = ("rich", "greenlet")
"""What structlog imports where it is there: tracebacks in colour, greenlets."""


def set_up(level: str = "info", stream: TextIO | None = None) -> "FilteringBoundLogger":
    """Set structlog up for this process and give a logger. `level`: debug, info, warning or error."""
    structlog = _structlog_alone()
    under_systemd = bool(os.environ.get("JOURNAL_STREAM"))
    processors: list[Any] = [structlog.processors.add_log_level]
    if not under_systemd:
        processors.append(structlog.processors.TimeStamper(fmt="%Y-%m-%d %H:%M:%S", utc=False))
    processors += [structlog.processors.format_exc_info, _as_line]
    structlog.configure(
        processors=processors,
        wrapper_class=structlog.make_filtering_bound_logger(_LEVEL[level]),
        logger_factory=structlog.PrintLoggerFactory(stream or sys.stderr),
        cache_logger_on_first_use=True,
    )
    logger: FilteringBoundLogger = structlog.get_logger()
    return logger


def _structlog_alone() -> Any:  # noqa: ANN401 - a module
    """Import structlog without what it takes where it is there and we do not need, unless that is loaded already."""
    hidden = [] if "structlog" in sys.modules else [name for name in _NOT_FOR_US if name not in sys.modules]
    for name in hidden:
        sys.modules[name] = None  # type: ignore[assignment]  # the documented way to make an import fail
    try:
        import structlog
    finally:
        for name in hidden:
            del sys.modules[name]
    return structlog


def _as_line(_logger: "WrappedLogger", _method: str, event_dict: "EventDict") -> str:
    """`<priority>time level event key=value`, the priority under systemd, the time elsewhere."""
    level = str(event_dict.pop("level", "info"))
    time = event_dict.pop("timestamp", None)
    event = event_dict.pop("event", "")
    trace = event_dict.pop("exception", None)
    lead = f"<{_PRIORITY.get(level, 6)}>" if time is None else f"{time} {level:<7} "
    pairs = "".join(f" {key}={_value(value)}" for key, value in event_dict.items())
    return f"{lead}{event}{pairs}" + (f"\n{trace}" if trace else "")


def _value(value: object) -> str:
    text = str(value)
    return text if text and text.isprintable() and not any(mark in text for mark in ' "=') else repr(text)


_M_ARENA_MAX: Final = -8


def one_arena() -> None:
    """Let all threads share one heap. Before the first thread; they allocate little, and each heap costs memory."""
    _c_library("mallopt", _M_ARENA_MAX, 1)


def shed() -> None:
    """Give back what loading has left, and spare the garbage collector what stays for good."""
    gc.collect()
    gc.freeze()
    _c_library("malloc_trim", 0)


def _c_library(function: str, *numbers: int) -> None:
    with contextlib.suppress(OSError, AttributeError):  # not every C library has it
        getattr(ctypes.CDLL(None), function)(*numbers)


def notify(*states: str) -> None:
    """Send states such as "READY=1" or "WATCHDOG=1", to a service manager that listens."""
    address = os.environ.get("NOTIFY_SOCKET", "")
    if not address:
        return
    if address.startswith("@"):  # Linux's abstract namespace
        address = "\0" + address[1:]
    with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as sock:
        sock.setblocking(False)  # a manager that is busy must not keep the fan waiting
        sock.connect(address)
        sock.sendall("\n".join(states).encode())
