"""A collector, and a station with its gate and tools, as the page shows them: texts, and what the browser counts down.

Pure. The words are those of `gatehand.screen.words`, so that the page says what `watch` says. No text has an age in
seconds or a countdown where the browser can count itself: it would be sent again each second to every phone.
"""

from collections.abc import Iterator, Mapping, Sequence
from functools import lru_cache
from typing import Any, Final, TypeAlias

from gatehand.journal.sentences import on_hold, spoken, tells_of
from gatehand.measures import measured, steady, threshold_key
from gatehand.screen import words
from gatehand.screen.daemon_status import DaemonStatus, StatusMessage
from gatehand.screen.lines import Tone
from gatehand.times import local
from gatehand_rules import Happened

Part: TypeAlias = Mapping[str, Any]
"""A part's facts, as JSON has them; which there are is said at the function that makes them."""

NOT_HEARD: Final = "not heard yet"
"""Instead of a state: of what the config has and the daemon has not spoken of."""
NOT_IN_CONFIG: Final = "not in this page's config"
_WANTED_IN_VAIN: Final = (Happened.START_REFUSED, Happened.START_MISSED)
"""What leaves a device as it was, although something was wanted of it."""
_UNEXPLAINED: Final = frozenset({"silent", "muted", "unknown", "fault"})
"""States that want their reason beside them."""
_AT_WORK: Final = frozenset({"open", "opening", "shutting", "fault", "unknown"})
_LOUD: Final = frozenset({"running", "run_on", "silent", "muted"})
_LONGEST_KEPT: Final = 500
"""Characters of a sentence whose answer is kept: whatever others say over the broker, what is kept stays small."""
_MOST_SHOWN: Final = 2.0
"""Start thresholds that the bar of a reading has room for."""


def collector(name: str, message: StatusMessage | None, status: DaemonStatus, at: float, *, only: bool) -> Part:
    """A collector. `only`: the shop has no other, so that it needs no name.

    Gives: name, title, state (the daemon's), word (shown large), tone, why, since, until (epoch seconds by this
    computer's clock, or None) with until_text (`{left}` in it is counted down), facts, held, spoken.
    """
    title = "collector" if only else spoken(f"collector {name}")
    if message is None:
        return {
            "name": name,
            "title": title,
            "state": "",
            "word": NOT_HEARD,
            "tone": "faint",
            "why": "",
            "since": "",
            "until": None,
            "until_text": "",
            "facts": [],
            "held": False,
            "spoken": f"{_capital(title)}: not heard yet.",
        }
    now, word = status.now(at), message.text("state")
    until, until_text = _countdown(message, now)
    facts = [*_facts(message, now), *_not_heard_or_understood(message)]
    shown = words.state(word)
    return {
        "name": name,
        "title": title,
        "state": word,
        "word": shown,
        "tone": "alarm" if message.text("offline_since") else tone(words.tone(word)),
        "why": as_told(words.why_of_collector(message, now)),
        "since": _since(message, status, at),
        "until": None if until is None else round(until - status.ahead, 3),
        "until_text": until_text,
        "facts": facts,
        "held": word == "held",
        "spoken": _sentences(f"{title}: {shown}", message.text("because"), *facts),
    }


def _facts(message: StatusMessage, now: float) -> Iterator[str]:
    """Without a hold that the sentence of why has told with its reason."""
    held, because = message.text("held"), message.text("because")
    told = on_hold(held, stop=message.flag("held_by_stop") is True) if held else ""
    is_told = bool(told) and f"{told}, until" in because
    return (fact for fact in words.facts_of_collector(message, now) if not (is_told and fact.startswith(told)))


def _countdown(message: StatusMessage, now: float) -> tuple[float | None, str]:
    """Until when, by the daemon's clock, and in which words."""
    left = words.counted_down(message, now)
    if left is not None:
        return now + left, f"off in {{left}} ({message.text('until_because')})".removesuffix(" ()")
    left = words.left_until(message, "coast_down_until", now)
    return (None, "") if left is None else (now + left, "coasts for {left} more")


def station(
    name: str,
    message: StatusMessage | None,
    tools: Sequence[Part],
    status: DaemonStatus,
    at: float,
    *,
    notes: Sequence[str] = (),
) -> Part:
    """A gate with its tools. `tools`: as `tool` makes them. `notes`: what the config knows of it.

    Gives: name, gate (True), title, state, word, tone, note, why, hand, hand_until (epoch seconds or None) with
    hand_text (`{left}` in it is counted down), can_hand, busy, tools, spoken.
    """
    title = spoken(name)
    if message is None:
        found: dict[str, object] = {
            "state": "",
            "word": NOT_HEARD,
            "tone": "faint",
            "note": ", ".join(notes),
            "why": "",
        }
        found |= {"hand": False, "hand_until": None, "hand_text": "", "can_hand": False}
    else:
        now, word = status.now(at), message.text("state")
        by_hand, until = message.flag("hand") is True, words.left_until(message, "hand_ends", now)
        ends = None if until is None else now + until - status.ahead
        found = {
            "state": word,
            "word": words.loud_state(message, now),
            "tone": tone(words.tone_of(message)),
            "note": ", ".join([*words.of_gate(message, now), *words.never_heard(message), *notes]),
            "why": " ".join([*_why(message), *map(as_told, message.odd("not_understood"))]),
            "hand": by_hand,
            "hand_until": None if ends is None or not by_hand else round(ends, 3),
            "hand_text": _by_hand(ends, at) if by_hand else "",
            # A gate that is moved by hand cannot be opened from here: open already, it can have its air.
            "can_hand": message.flag("by_hand") is not True or word == "open",
        }
    busy = found["state"] in _AT_WORK or bool(found["hand"]) or any(each["state"] in _LOUD for each in tools)
    head = f"{title}: gate {found['word']}{', by hand' if found['hand'] else ''}"
    noted = ", ".join(filter(None, [head, str(found["note"])]))
    said = [noted, str(found["why"]), *(text for each in tools for text in _spoken_tool(each))]
    return {
        "name": name,
        "gate": True,
        "title": title,
        **found,
        "busy": busy,
        "tools": tools,
        "spoken": _sentences(*said),
    }


def _by_hand(ends: float | None, at: float) -> str:
    return "by hand" if ends is None else f"by hand until {moment(ends, at)}, {{left}} left"


def tool_alone(made: Part, notes: Sequence[str] = ()) -> Part:
    """A tool without a gate, as a station of its own; `made`: as `tool` makes it. Gives the same as `station`."""
    note = ", ".join(["no gate", *notes])
    return {
        "name": made["name"],
        "gate": False,
        "title": made["title"],
        "state": "",
        "word": "",
        "tone": "plain",
        "note": note,
        "why": "",
        "hand": False,
        "hand_until": None,
        "hand_text": "",
        "can_hand": False,
        "busy": made["state"] in _LOUD,
        "tools": [made],
        "spoken": _sentences(*_spoken_tool(made), note),
    }


def tool(name: str, message: StatusMessage | None, status: DaemonStatus, at: float) -> Part:
    """A tool as its station's tile has it.

    Gives: name, title, state, word, tone, reading and threshold in words, share (of the start threshold, 0 to 2; None:
    it has none) and stop_share, why, until (epoch seconds or None) with until_text.
    """
    if message is None:
        return {
            "name": name,
            "title": spoken(name),
            "state": "",
            "word": NOT_HEARD,
            "tone": "faint",
            "reading": "",
            "threshold": "",
            "share": None,
            "stop_share": None,
            "why": "",
            "until": None,
            "until_text": "",
        }
    now, word, measure, value = status.now(at), message.text("state"), message.measure, message.reading
    stop, start = (message.number(threshold_key(which, measure)) for which in ("stop", "start"))
    # Beside another word, such as SILENT, the seconds of a run-on would be taken for that word's.
    left = words.left_until(message, "run_on_ends", now) if word == "run_on" else None
    age = words.age(message, now, is_now=not words.is_past(status))
    bounds = [f"starts at {measured(measure, start)}"] if start is not None else []
    bounds += [f"stops below {measured(measure, stop)}"] if stop is not None else []
    return {
        "name": name,
        "title": spoken(name),
        "state": word,
        "word": words.loud_state(message, now),
        "tone": tone(words.tone_of(message)),
        "reading": f"{'no reading' if value is None else steady(measure, value)}{age}",
        "threshold": ", ".join(bounds),
        "share": None if start is None or start <= 0 else _share(value or 0.0, start),
        "stop_share": None if start is None or start <= 0 or stop is None else _share(stop, start),
        "why": " ".join([*_why(message), *map(as_told, _not_heard_or_understood(message))]),
        "until": None if left is None else round(now + left - status.ahead, 3),
        "until_text": "" if left is None else "{left} left",
    }


def _share(value: float, start: float) -> float:
    """Of the start threshold, in hundredths: a finer step moves no bar."""
    return round(min(_MOST_SHOWN, max(0.0, value / start)), 2)


def _why(message: StatusMessage) -> Iterator[str]:
    """Why it is not as it should be, or as somebody wanted it; nothing where all goes its way."""
    because = message.text("because")
    is_short = len(because) <= _LONGEST_KEPT
    in_vain = _is_in_vain(because) if is_short else _is_in_vain.__wrapped__(because)
    if because and (in_vain or message.text("state") in _UNEXPLAINED):
        yield as_told(because)


@lru_cache(maxsize=512)
def _is_in_vain(because: str) -> bool:
    """The same sentence is shown many times over, and looked for among many."""
    return any(tells_of(because, event) for event in _WANTED_IN_VAIN)


def _not_heard_or_understood(message: StatusMessage) -> list[str]:
    return [*words.never_heard(message), *message.odd("not_understood")]


def _spoken_tool(made: Part) -> Iterator[str]:
    yield ", ".join(filter(None, (f"{made['title']}: {made['word']}", made["reading"], made["threshold"])))
    yield str(made["why"])


def _since(message: StatusMessage, status: DaemonStatus, at: float) -> str:
    began = message.moment("since")
    return "" if began is None else f"since {moment(began - status.ahead, at)}"


def moment(wall: float, at: float) -> str:
    """Wall seconds as a time of day, with the day where it could be taken for another's. `at`: now."""
    clock = words.clock(wall)
    if abs(wall - at) < words.HALF_A_DAY:
        return clock
    try:
        return f"{local(round(wall * 1000)):%Y-%m-%d} {clock}"
    except (OverflowError, ValueError):  # at the calendar's ends
        return clock


def tone(found: Tone) -> str:
    """A tone by the name that the page's style has for it."""
    return found.name.lower()


def as_told(text: str) -> str:
    """A text as a sentence with its capital and its full stop."""
    said = text.strip()
    return said if not said or said.endswith((".", "?", "!")) else f"{_capital(said)}."


def _sentences(*texts: str) -> str:
    return " ".join(as_told(text) for text in texts if text)


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
