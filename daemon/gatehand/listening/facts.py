"""The same as the page, for programs: values as JSON holds them."""

from msgspec import to_builtins

from gatehand.listening.found import Follower, Level
from gatehand.listening.observed import HeardSignal, HeardTopic
from gatehand.listening.page import Heard
from gatehand.listening.roles import Known, config_line, taken_for
from gatehand.listening.watched_page import tool_table
from gatehand.listening.watching import Watched

_DIGITS = 3


def as_json(heard: Heard, watched: Watched | None, began: float) -> dict[str, object]:
    """All that was heard, of each topic that is kept. `began`: the monotonic second that is 0 in it."""
    return {
        "broker": heard.at,
        "config": heard.config,
        "seconds": round(heard.seconds, _DIGITS),
        "messages": heard.listening.messages,
        "lost": list(heard.lost),
        "boards": [to_builtins(one) for one in heard.boards],
        "topics": [_topic(one, heard.known, began) for one in heard.foreign],
        "own_topics": heard.own,
        "not_kept": heard.listening.beyond(),
        "watched": None if watched is None else _watched(watched, began),
    }


def _topic(topic: HeardTopic, known: Known, began: float) -> dict[str, object]:
    return {
        "topic": topic.topic,
        "retained": topic.retained,
        "live": topic.live,
        "first": round(topic.first_at - began, _DIGITS),
        "last": round(topic.last_at - began, _DIGITS),
        "longest_bytes": topic.longest,
        "left_out": topic.left_out,
        "told_here": list(known.commands.get(topic.topic, ())),
        "values": [_signal(one, known) for one in topic.signals.values()],
    }


def _signal(signal: HeardSignal, known: Known) -> dict[str, object]:
    taken = taken_for(signal.topic, signal.pointer) if signal.kind == "number" else None
    last = signal.last
    return {
        "pointer": signal.pointer,
        "kind": signal.kind,
        "retained": signal.retained,
        "live": signal.live,
        "low": signal.low,
        "high": signal.high,
        "last": None if last is None else last.value,
        "words": dict(signal.words),
        "more_words": signal.more_words,
        "rhythm": None if signal.rhythm is None else to_builtins(signal.rhythm),
        "measure": None if taken is None or taken.measure is None else str(taken.measure),
        "scale": None if taken is None or taken.measure is None else taken.scale,
        "because": None if taken is None else taken.because,
        "used_by": list(known.uses.get((signal.topic, signal.pointer), ())),
        "config_line": config_line(signal),
    }


def _watched(watched: Watched, began: float) -> dict[str, object]:
    return {
        "name": watched.name,
        "clear": watched.clear,
        "ended": None if watched.ended is None else watched.ended.name.lower(),
        "switched": [
            {
                "on": [round(one.on_after - began, _DIGITS), round(one.on_by - began, _DIGITS)],
                "off": [round(one.off_after - began, _DIGITS), round(one.off_by - began, _DIGITS)],
            }
            for one in watched.switched
        ],
        "followed": [_follower(one, watched.name) for one in watched.found],
    }


def _follower(one: Follower, name: str) -> dict[str, object]:
    thresholds = one.thresholds
    return {
        "topic": one.signal.topic,
        "pointer": one.signal.pointer,
        "rank": round(one.rank, _DIGITS),
        "because": one.because,
        "measure": None if one.taken.measure is None else str(one.taken.measure),
        "scale": one.taken.scale,
        "taken_because": one.taken.because,
        "idle": _level(one.idle),
        "working": _level(one.working),
        "on": one.on,
        "off": one.off,
        "start": None if thresholds is None else thresholds.start,
        "stop": None if thresholds is None else thresholds.stop,
        "wanting": None if thresholds is None else thresholds.wanting,
        "table": "\n".join(tool_table(name, one)),
    }


def _level(level: Level | None) -> list[float] | None:
    """As in the payload."""
    return None if level is None else [level.low, level.high]
