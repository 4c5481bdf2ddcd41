"""The scenario format: text to `Scenario`. Says line and what is wanted for everything that it does not understand.

    # What must hold, in a sentence.
    shop: mitre_saw                      the config, a file name without .toml
    show: collector_on collector_off     only these events of the log (all, where it is left out)
    from: -30                            the timeline begins there (at 0, where it is left out)
    at start: gate bench open            how the devices stand when the daemon starts (shut, off, silent)
    devices: none                        nothing answers and no time passes but what the lines say
       5    mitre_saw 6 A                seconds, then who does what; a reading (A, or W) holds until the next one
       9    mitre_saw 0 A
      90    end
    ----
      5.000  mitre saw started: ...

What can happen is listed in `VERBS`, each with its form.
"""

import re
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

NUMBER: Final = r"(-?\d+(?:\.\d+)?)"
NAME: Final = r"([A-Za-z0-9_-]+)"

VERBS: Final[dict[str, str]] = {
    # kind: form, in the words that a file uses; {n} a number, {name} a name
    "cycle": "{name} {n} A for {n} s every {n} s until {n}",
    "once": "{name} once {n} A",
    "retained": "{name} retained {n} A",
    "amps": "{name} {n} A",
    "contact_active": "{name} contact active",
    "contact_clear": "{name} contact clear",
    "old_active": "{name} contact retained active",
    "old_clear": "{name} contact retained clear",
    "quiet": "{name} says nothing",
    "young": "{name} just now {n} A",
    "rejected": "{name} says rubbish",
    "held_back": "{name} says what it held back for {n} s",
    "press": "press {name}",
    "old_press": "press {name} retained",
    "hand_on": "hand start {name}",
    "hand_off": "hand end {name}",
    "jam": "gate {name} jams",
    "free": "gate {name} runs free",
    "takes": "gate {name} takes {n} s",
    "gate_open": "gate {name} open by hand",
    "gate_shut": "gate {name} shut by hand",
    "gate_between": "gate {name} half open by hand",
    "fan_on": "collector {name} on by hand",
    "fan_off": "collector {name} off by hand",
    "deaf": "collector {name} hears nothing",
    "hears": "collector {name} hears again",
    "welds": "collector {name} welds",
    "bin_full": "bin {name} full",
    "bin_clear": "bin {name} empty",
    "stop": "stop {name} active",
    "clear": "stop {name} clear",
    "stop_unclear": "stop {name} says pressed",
    "reset": "reset {name}",
    "reset_pressed": "reset button {name} pressed",
    "reset_released": "reset button {name} released",
    "hold": "hold {name}",
    "off_asked": "off {name}",
    "offline": "tool {name} offline",
    "online": "tool {name} online",
    "gate_offline": "gate {name} offline",
    "gate_online": "gate {name} online",
    "gate_retained_open": "gate {name} retained open",
    "gate_retained_shut": "gate {name} retained shut",
    "gate_retained_between": "gate {name} retained half open",
    "says_on": "collector {name} reports on",
    "says_off": "collector {name} reports off",
    "said_on": "collector {name} retained on",
    "said_off": "collector {name} retained off",
    "motor": "collector {name} draws {n} A",
    "old_motor": "collector {name} retained {n} A",
    "fan_offline": "collector {name} offline",
    "fan_online": "collector {name} online",
    "stop_offline": "stop {name} offline",
    "stop_online": "stop {name} online",
    "was_held": "collector {name} was held",
    "unheard": "broker lost, unheard for {n} s",
    "tick": "tick",
    "lost": "broker lost",
    "back": "broker back",
    "stops_lost": "stop contacts lost",
    "stops_heard": "stop contacts heard",
    "stood": "daemon stood still for {n} s",
    "caught_up": "daemon has caught up",
    "shutdown": "daemon stops",
    "end": "end",
}
AT_START: Final[dict[str, str]] = {
    "open": "gate {name} open",
    "shut": "gate {name} shut",
    "unknown": "gate {name} says nothing",
    "on": "collector {name} on",
    "off": "collector {name} off",
    "quiet": "collector {name} says nothing",
    "silent": "tool {name} silent",
    "stop": "stop {name} active",
    "held": "collector {name} held",
}


class ScenarioError(ValueError):
    """The file is no scenario; the message names the line and what is wanted."""


@dataclass(frozen=True, slots=True)
class Deed:
    """Something that is done at `at` seconds. `numbers` in the order of the form."""

    at: float
    kind: str
    name: str = ""
    numbers: tuple[float, ...] = ()
    line: int = 0


@dataclass(frozen=True, slots=True)
class Scenario:
    """A parsed file. `head` is everything above the dashes as written, `expected` everything below."""

    shop: str
    shown: frozenset[str]
    shown_from: float
    at_start: tuple[Deed, ...]
    deeds: tuple[Deed, ...]
    end: float
    devices: bool
    head: str
    expected: str


def parse(text: str) -> Scenario:
    """Read a scenario.

    Raises:
        ScenarioError: with the line's number and what is wanted.
    """
    head, dashes, expected = _split(text)
    shop, shown, shown_from, devices = "", frozenset[str](), 0.0, True
    at_start: list[Deed] = []
    deeds: list[Deed] = []
    for number, line in enumerate(head.splitlines(), 1):
        said = line.split("#", 1)[0].strip()
        if not said:
            continue
        key, colon, rest = said.partition(":")
        if colon and key == "shop":
            shop = rest.strip()
        elif colon and key == "show":
            shown = frozenset(rest.split())
        elif colon and key == "from":
            shown_from = _seconds(rest.strip(), number)
        elif colon and key == "devices" and rest.strip() == "none":
            devices = False
        elif colon and key == "at start":
            at_start.append(_deed(AT_START, 0.0, rest.strip(), number))
        else:
            deeds.append(_timed(said, number))
    if not shop:
        raise ScenarioError("line 1: there is no shop; wanted a line such as 'shop: band_saw'")
    if not deeds or deeds[-1].kind != "end":
        raise ScenarioError(f"line {head.count(chr(10)) + 1}: wanted a last line such as '90 end'")
    late = next((b for a, b in pairwise(deeds) if b.at < a.at), None)
    if late is not None:
        raise ScenarioError(f"line {late.line}: {late.at:g} s comes after a later time; wanted rising times")
    end = deeds[-1].at
    return Scenario(shop, shown, shown_from, tuple(at_start), tuple(deeds), end, devices, head + dashes, expected)


def _split(text: str) -> tuple[str, str, str]:
    found = re.search(r"^-{4,}\n?", text, re.MULTILINE)
    if found is None:
        return text if text.endswith("\n") else text + "\n", "----\n", ""
    return text[: found.start()], "----\n", text[found.end() :]


def _seconds(said: str, number: int) -> float:
    try:
        return float(said)
    except ValueError:
        raise ScenarioError(f"line {number}: found {said!r}; wanted seconds, such as -30") from None


def _timed(said: str, number: int) -> Deed:
    found = re.match(rf"{NUMBER}\s+(.*)$", said)
    if found is None:
        raise ScenarioError(f"line {number}: found {said!r}; wanted seconds and what happens, such as '5 band_saw 6 A'")
    return _deed(VERBS, float(found[1]), found[2], number)


def _deed(verbs: dict[str, str], at: float, said: str, number: int) -> Deed:
    for kind, form in verbs.items():
        pattern = re.escape(form).replace(r"\{name\}", NAME).replace(r"\{n\}", NUMBER).replace(r"\ ", r"\s+")
        pattern = pattern.replace(r"\s+A", r"\s+[AW]")
        found = re.fullmatch(pattern, said)
        if found is not None:
            groups = list(found.groups())
            name = groups.pop(0) if "{name}" in form else ""
            return Deed(at, kind, name, tuple(float(each) for each in groups), number)
    forms = "; ".join(verbs.values())
    raise ScenarioError(f"line {number}: found {said!r}; wanted one of: {forms}")
