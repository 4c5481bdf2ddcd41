"""What a phone may ask for, and in which words it is answered; no daemon behind it, but one that a test plays."""

import ast
import asyncio
import inspect
import re
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import get_args

import pytest
from door_support import EVERYTHING, Door
from hypothesis import given
from hypothesis import strategies as some

import gatehand_rules
from gatehand.asking import Answer, Unanswered, UnansweredError, What, Wish
from gatehand.mqtt.payload import excerpt
from gatehand.phone import hands
from gatehand.phone.guard import METHODS
from gatehand.phone.hands import NEXT, WHY_NOT, next_on_a_phone, short_reason, unanswered
from gatehand.screen.daemon_status import StatusMessage
from gatehand.screen.listen import Where
from gatehand.shell.requests import LONGEST_REASON
from gatehand_rules import Rule

HOLD = {"what": "hold", "name": "main", "because": "filter change"}
HAND = {"what": "hand", "name": "bench", "value": "1"}
RESET = {"what": "reset", "name": "main", "seen": True}


class Played:
    """Takes the place of `asking.ask`: what was asked, and what comes back."""

    def __init__(self) -> None:
        self.asked: list[tuple[Where, Wish]] = []
        self.comes: Answer | UnansweredError = Answer(True, "hold", "done")
        self.go = asyncio.Event()
        self.go.set()
        self.came: asyncio.Queue[Wish] = asyncio.Queue()

    async def __call__(self, where: Where, wish: Wish, _within: float) -> Answer:
        self.asked.append((where, wish))
        self.came.put_nowait(wish)
        await self.go.wait()
        if isinstance(self.comes, UnansweredError):
            raise self.comes
        return self.comes


@pytest.fixture
def played(monkeypatch: pytest.MonkeyPatch) -> Played:
    found = Played()
    monkeypatch.setattr(hands, "ask", found)
    return found


async def test_a_request_says_who_asks_and_the_daemons_answer_comes_back_as_it_is(
    tmp_path: Path, played: Played
) -> None:
    browser = await Door(tmp_path).paired()
    played.comes = Answer(False, "bin_full", "start refused for bench: the bin is <b>full</b>")
    answer = await browser.post("/ask", HAND)
    assert answer.status == 200
    assert answer.json == {
        "ok": False,
        "text": "Start refused for bench: the bin is <b>full</b>.",
        "next": "Lock the collector out and empty the bin. Then ask again.",
    }
    assert [wish for _, wish in played.asked] == [Wish("hand", "bench", "1", by="page")]
    for body in (HOLD, RESET, {**HAND, "value": "0"}):
        await browser.post("/ask", body)
    assert [wish for _, wish in played.asked[1:]] == [
        Wish("hold", "main", because="filter change", by="page"),
        Wish("reset", "main", by="page"),
        Wish("hand", "bench", "0", by="page"),
    ]
    ids = [where.settings.client_id for where, _ in played.asked]
    assert len(set(ids)) == 4, "two clients with one id throw each other out"
    assert "page" not in ids


async def test_who_is_not_paired_asks_for_nothing(tmp_path: Path, played: Played) -> None:
    door = Door(tmp_path)
    browser = door.browser()
    for cookie in ("", "x", "A" * 43):
        browser.cookies = {"gatehand": cookie}
        answer = await browser.post("/ask", HOLD)
        assert (answer.status, answer.json["ok"], answer.json["next"]) == (401, False, "")
        assert "not paired" in answer.text
    paired = await door.paired()
    door.pairing.forget_all()
    assert (await paired.post("/ask", HOLD)).status == 401
    assert played.asked == []


@pytest.mark.parametrize("allow", [(), ("hand",), ("hold",), ("reset",), ("hand", "reset")])
async def test_only_what_the_config_in_force_allows_is_asked(
    tmp_path: Path, played: Played, allow: tuple[What, ...]
) -> None:
    door = Door(tmp_path)
    browser = await door.paired()
    door.page = door.page.model_copy(update={"allow": allow})
    for body in (HAND, HOLD, RESET):
        answer = await browser.post("/ask", body)
        assert answer.status == (200 if body["what"] in allow else 403)
        if answer.status == 403:
            assert "The config says what it may" in answer.text
    assert [wish.what for _, wish in played.asked] == [each for each in EVERYTHING if each in allow]
    door.page = door.page.model_copy(update={"allow": EVERYTHING})
    assert (await browser.post("/ask", {**HOLD, "name": "main"})).status == 200, "an edit counts at once"


@pytest.mark.parametrize(
    ("body", "status"),
    [
        ({}, 400),
        ({"what": "off", "name": "main"}, 400),
        ({"what": "Hold", "name": "main", "because": "x"}, 400),
        ({"what": ["hold"], "name": "main", "because": "x"}, 400),
        ({"what": None}, 400),
        ({**HOLD, "because": ""}, 400),
        ({**HOLD, "because": " \n\t "}, 400),
        ({**HOLD, "because": ["x"]}, 400),
        ({"what": "hold", "name": "main"}, 400),
        ({**HOLD, "value": "0"}, 400),
        ({**HOLD, "name": "shop"}, 404),
        ({**HOLD, "name": "bench"}, 404),
        ({**HOLD, "name": "main/off"}, 404),
        ({**HOLD, "name": "../gate/bench"}, 404),
        ({**HOLD, "name": "+"}, 404),
        ({**HOLD, "name": "#"}, 404),
        ({**HOLD, "name": ""}, 404),
        ({**HOLD, "name": None}, 404),
        ({**HOLD, "name": ["main"]}, 404),
        ({**HOLD, "name": "MAIN"}, 404),
        ({**HOLD, "name": "main\x00"}, 404),
        ({**HOLD, "name": "\ud800"}, 404),
        ({**HAND, "name": "main"}, 404),
        ({**HAND, "value": "2"}, 400),
        ({**HAND, "value": 1}, 400),
        ({**HAND, "value": True}, 400),
        ({**HAND, "value": ["1"]}, 400),
        ({"what": "hand", "name": "bench"}, 400),
        ({**HAND, "because": "x"}, 400),
        ({**RESET, "seen": False}, 400),
        ({**RESET, "seen": "true"}, 400),
        ({**RESET, "seen": 1}, 400),
        ({"what": "reset", "name": "main"}, 400),
        ({**RESET, "value": "1"}, 400),
        ({**HOLD, "by": "somebody"}, 400),
    ],
)
async def test_what_is_not_whole_is_refused_before_the_daemon(
    tmp_path: Path, played: Played, body: dict[str, object], status: int
) -> None:
    answer = await (await Door(tmp_path).paired()).post("/ask", body)
    assert (answer.status, answer.json["ok"], answer.json["next"]) == (status, False, "")
    assert re.match(r"[A-Z].+\.$", answer.text)
    assert played.asked == []


@pytest.mark.parametrize("name", ["", "a b", "a/b", "#", "+", "<b>", "a" * 65, "\u2028", "main\n"])
async def test_a_name_that_only_the_broker_knows_is_one_that_a_config_could_have(
    tmp_path: Path, played: Played, name: str
) -> None:
    browser = await Door(tmp_path, known=lambda _: (name, "late")).paired()
    assert (await browser.post("/ask", {**HOLD, "name": name})).status == 404
    assert (await browser.post("/ask", {**HOLD, "name": "late"})).status == 200
    assert [wish.name for _, wish in played.asked] == ["late"]


@given(some.text(max_size=200))
def test_a_reason_is_what_the_daemon_keeps_of_it(text: str) -> None:
    found = short_reason(text)
    assert len(found.encode()) <= hands.LONGEST_REASON == LONGEST_REASON
    assert found == found.strip()
    assert found.isprintable()
    assert excerpt(found.encode()[:LONGEST_REASON]).strip() == found, "the daemon keeps all of it"


def test_a_reason_is_cut_between_letters() -> None:
    assert short_reason("ä" * 40) == "ä" * 24
    assert short_reason("x" + "ä" * 40) == "x" + "ä" * 23
    assert short_reason("  new\nbag \x1b[2J ") == "new bag ?[2J"


async def test_the_same_is_not_asked_twice_at_once(tmp_path: Path, played: Played) -> None:
    door = Door(tmp_path)
    browser, other = await door.paired(), await door.paired()
    played.go.clear()
    first = asyncio.ensure_future(browser.post("/ask", HOLD))
    assert (await played.came.get()).what == "hold"
    for each in (browser, other):
        second = await each.post("/ask", {**HOLD, "because": "another reason"})
        assert (second.status, second.json["ok"], second.header("retry-after")) == (429, False, "1")
        assert "answer is still to come" in second.text
    end = asyncio.ensure_future(browser.post("/ask", {**HAND, "value": "0"}))
    assert (await played.came.get()).value == "0", "what is asked for beside it is asked"
    played.go.set()
    assert (await first).json["ok"] is True
    assert (await end).status == 200
    played.comes = UnansweredError(Unanswered.NO_BROKER, "gone")
    assert (await browser.post("/ask", HOLD)).status == 504
    assert (await browser.post("/ask", HOLD)).status == 504, "after its end it may be asked for again"


async def test_five_at_once_and_a_hold_all_the_same(tmp_path: Path, played: Played) -> None:
    door = Door(tmp_path)
    browser, other = await door.paired(), await door.paired()
    statuses = [(await browser.post("/ask", HAND)).status for _ in range(6)]
    assert statuses == [200] * 5 + [429]
    refused = await browser.post("/ask", RESET)
    assert (refused.status, refused.header("retry-after"), refused.json["next"]) == (429, "15", "")
    assert [(await browser.post("/ask", HOLD)).status for _ in range(11)] == [200] * 10 + [429]
    assert (await other.post("/ask", HAND)).status == 200, "each phone is counted apart"
    door.mono.now += 15
    assert (await browser.post("/ask", RESET)).status == 200
    assert len(played.asked) == 17


# Words


def refusals() -> Iterator[tuple[str, Rule]]:
    """What the daemon's sources refuse by which rule, or ignore, of what a phone asks for."""
    said_by = {"hands": "hand", "holds": "reset", "sequence": "hand", "demand": "hand"}
    folder = Path(gatehand_rules.__path__[0])
    for module, what in said_by.items():
        for node in ast.walk(ast.parse((folder / f"{module}.py").read_text())):
            text = ast.unparse(node) if isinstance(node, ast.FunctionDef) else ""
            if re.search(r"\.refuse\(|_refuse_reset\(context, at, Rule|START_REFUSED", text) and "button" not in text:
                yield from ((what, Rule[found]) for found in re.findall(r"Rule\.([A-Z_]+)", text))
    start = inspect.getsource(gatehand_rules.collectors.start_refusal)
    yield from (("hand", Rule[found]) for found in re.findall(r"Rule\.([A-Z_]+)", start))
    for what in get_args(What):
        yield from ((what, rule) for rule in (Rule.BAD_VALUE, Rule.UNKNOWN_NAME, Rule.RETAINED))
    yield from ((what, Rule.STANDSTILL) for what in ("hand", "reset"))


def test_every_refusal_of_the_daemon_has_words_of_its_own() -> None:
    found = set(refusals())
    assert ("hand", Rule.BIN_FULL) in found
    assert ("hand", Rule.HOLD) in found
    resets = (Rule.STOP_CONTACT, Rule.HOLD, Rule.RESET_REPEATED, Rule.STOPS_UNHEARD, Rule.STOP_UNREAD)
    assert {("reset", rule) for rule in resets} <= found
    # A press of a real button; who asked for a hand start; a tool that runs: no answer to a phone.
    others = {("reset", Rule.RESET_PRESS), ("hand", Rule.BUTTON), ("hand", Rule.SWITCHED_BY_HAND)}
    for what, rule in found - others:
        assert NEXT[what].get(rule), (what, rule)  # type: ignore[index]  # as the sources say it


@pytest.mark.parametrize("what", get_args(What))
def test_whatever_rule_speaks_a_refusal_says_what_to_do_and_never_a_command(what: What) -> None:
    for rule in [*Rule, "internal_error", "a rule of a later version", ""]:
        said = next_on_a_phone(Wish(what, "main"), Answer(False, str(rule), "refused"))
        assert re.match(r"[A-Z].+\.$", said), (what, rule)
        assert "gatehand " not in said


def test_what_was_done_is_told_with_its_cautions() -> None:
    hold = next_on_a_phone(Wish("hold", "main"), Answer(True, "hold", ""))
    assert "not a lockout" in hold
    assert "lock the machine out before you reach" in hold
    assert "Nothing starts by itself" in next_on_a_phone(Wish("reset", "main"), Answer(True, "hold", ""))
    after = StatusMessage({"hand": True, "hand_ends": "2026-11-30T16:00:00.000+00:00"})
    begun = next_on_a_phone(Wish("hand", "bench"), Answer(True, "button", "", after))
    ends = datetime.fromisoformat("2026-11-30T16:00:00.000+00:00").astimezone()
    assert begun.startswith("Keep hands out of the gate and the fan. ")
    assert begun.endswith(f"It ends at {ends:%H:%M} at the latest, or when you end it here.")
    for nothing in (None, StatusMessage({}), StatusMessage({"hand_ends": "soon"})):
        assert "It ends by itself, or" in next_on_a_phone(Wish("hand", "bench"), Answer(True, "button", "", nothing))
    assert next_on_a_phone(Wish("hand", "bench", "0"), Answer(True, "button", "")) == ""


@pytest.mark.parametrize("why", Unanswered)
@pytest.mark.parametrize("may", [False, True])
@pytest.mark.parametrize("what", get_args(What))
def test_no_answer_is_never_told_as_done(why: Unanswered, may: bool, what: What) -> None:
    text, then = unanswered(Wish(what, "main"), UnansweredError(why, "gatehand status shows it", may_be_done=may))
    assert ("Nothing was done." in text) is not may
    assert ("may still be done" in text) is may
    assert "gatehand " not in text + then
    assert WHY_NOT[why] in text
    assert ("own switch" in then) is (what == "hold")


async def test_no_answer_is_504_with_the_same_shape(tmp_path: Path, played: Played) -> None:
    browser = await Door(tmp_path).paired()
    played.comes = UnansweredError(Unanswered.NO_ANSWER, "secret.host did not answer", may_be_done=True)
    answer = await browser.post("/ask", RESET)
    assert (answer.status, set(answer.json), answer.json["ok"]) == (504, {"ok", "text", "next"}, False)
    assert "secret.host" not in answer.text


async def test_no_route_but_ask_reaches_the_daemon(tmp_path: Path, played: Played) -> None:
    browser = await Door(tmp_path).paired()
    for path in METHODS:
        if path != "/ask":
            for body in (HAND, HOLD, RESET):
                for how in ("GET", "POST", "PUT", "DELETE"):
                    headers = {"origin": "http://127.0.0.1:8080", "content-type": "application/json"}
                    await browser.send(how, path, str(body).encode(), headers=headers)
                    await browser.send(how, f"{path}?what=hold&name=main&because=x", headers=headers)
    assert played.asked == []
