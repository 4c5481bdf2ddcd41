"""Each tool's meter: what says that the tool runs, and by what it is known when the tool is called something else."""

from gatehand.config.model import Config
from gatehand.config.signals import Signal, TopicSource

_KEYS = ("current", "power", "running")


def meter_key(source: TopicSource) -> str:
    """By what a meter is known: its topic and where in the payload its value stands. A topic holds no #."""
    return f"{source.topic}#{source.pointer or ''}"


def meters(config: Config) -> dict[str, tuple[Signal, TopicSource]]:
    """By the tool's name: its meter, as a signal of the shop and as the table that says how it is heard."""
    every = ((one, one.heard) for one in config.signals() if one.kind == "tool" and one.key in _KEYS)
    return {one.name: (one, source) for one, source in every if source is not None}
