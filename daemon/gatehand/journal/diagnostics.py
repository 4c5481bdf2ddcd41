"""The daemon's own diagnostics on standard error: for whoever runs it. Why a gate moved stands in the event log.

structlog, set up once. It is imported here with `rich` out of its sight: structlog loads all of it for pretty
tracebacks where it is installed, which costs a start 170 ms and 5 MB. Under systemd, lines carry no time (the journal
has its own) and start with the priority that the journal reads.
"""

import os
import sys
from typing import TYPE_CHECKING, Any, TextIO

if TYPE_CHECKING:
    from structlog.typing import EventDict, FilteringBoundLogger, WrappedLogger

_PRIORITY = {"debug": 7, "info": 6, "warning": 4, "error": 3, "critical": 2}
_LEVEL = {"debug": 10, "info": 20, "warning": 30, "error": 40}


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
    """Import structlog without rich, unless something has loaded rich already."""
    hide = "structlog" not in sys.modules and "rich" not in sys.modules
    if hide:
        sys.modules["rich"] = None  # type: ignore[assignment]  # the documented way to make an import fail
    try:
        import structlog
    finally:
        if hide:
            del sys.modules["rich"]
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
