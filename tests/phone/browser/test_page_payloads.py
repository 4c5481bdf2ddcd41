"""Whatever a message holds is text: nothing of it runs, nothing of it is lost, and the page stays a page.

Each shop is a real one whose texts have been replaced, in every field of every status and alarm. A phone fails the
test for any dialog, any line in the console (a violation of the page's own policy among them), any request elsewhere.
"""

from collections.abc import Callable
from typing import Final

import pytest
from moments import MOMENTS, Stage
from page_boxes import measured
from page_shop import ShownShop
from playwright.sync_api import expect
from support.page_sample import sampled

pytestmark = pytest.mark.broker
TIMES: Final = frozenset({"since", "reading_at", "reported_at", "until", "hand_ends", "at", "told_at", "run_on_ends"})
ATTACKS: Final = {
    "markup": "<img src=x onerror=alert(1)><b>bold</b>",
    "script": "</script></style><script>alert(2)</script>",
    "attribute": "\"' onmouseover='alert(3)' autofocus onfocus='alert(3)' x=\"",
    "address": "javascript:alert(4) data:text/html,<script>alert(4)</script>",
    "template": "{left} ${alert(5)} {{7*7}} %s %(x)s $& $1 \\u003cscript>",
    "right to left": "abc \u202e gnp.exe \u2066 \u2069 \u200f שלום مرحبا \u200b\ufeff",
    "emoji": "👩\u200d🏭 🪚 e\u0301 \U0001f1e9\U0001f1ea",
    "names of objects": "__proto__ constructor toString hasOwnProperty",
    "controls": "a\u0000b\u0007c\u001b[31md\u2028e\u2029f",
    "long": "sawdust " * 250,
    "long without a break": "s" * 2000,
}


def _hurt(shop: ShownShop) -> ShownShop:
    """A shop that has something to say everywhere: on hold, with a fault, a silent sensor, alarms."""
    MOMENTS["fault"].come(shop)
    shop.shop.tools["jointer"].silence(on=True)
    shop.run(40)
    shop.say("gatehand/collector/main/hold", '{"because": "filter change", "by": "a test"}')
    shop.run(5)
    return shop


def _but(kept: frozenset[str], attack: str) -> Callable[[str, str], str]:
    """Every text is the attack, but that under some keys."""
    return lambda key, text: text if key in kept else attack


def test_text_of_a_message_is_shown_as_text(stage: Stage) -> None:
    shop = _hurt(stage.shop())
    sound, kept = dict(shop.published), TIMES | {"state", "gates", "collector"}
    shop.show(stage.broadcast)
    seen = stage.looks()
    measured_at = sampled(ATTACKS, 1, always=("right to left", "long without a break"))
    for name, attack in ATTACKS.items():
        shop.published = dict(sound)
        shop.reworded(_but(kept, attack)).show(stage.broadcast)
        # Letters that people see; the page may show a mark in place of others.
        for word in [word for word in attack.split() if word.isprintable() and word.isascii()][:10]:
            seen.shows("alarms", word)
        made = seen.page.locator("main :is(img, b, iframe, script, object, embed, style, [onfocus], [onerror])")
        expect(made, name).to_have_count(0)
        assert seen.page.evaluate("() => [Object.prototype.polluted, window.hurt]") == [None, None], name
        if name in measured_at:
            assert not measured(seen.page).faults_of_layout(), name


def test_no_field_can_break_the_page(stage: Stage) -> None:
    """Also a state that there is not, a time that is none, a list of nobody."""
    shop = _hurt(stage.shop())
    sound = dict(shop.published)
    seen = stage.looks()
    for attack in ("<img src=x onerror=alert(1)>", "__proto__", "x" * 2000, "\u202e\u0000"):
        shop.published = dict(sound)
        shop.reworded(_but(frozenset(), attack)).show(stage.broadcast)
        for name in ("band_saw", "planing", "router", "sweep"):
            expect(seen.station(name)).to_be_visible()
        expect(seen.reached).to_contain_text("is running")
        expect(seen.part("alarms").locator("li").first).to_contain_text(
            attack.split()[0][:4].strip("\u202e\u0000") or "?"
        )
        assert not measured(seen.page).faults_of_layout(), attack[:20]
        shop.published = dict(sound)
        shop.show(stage.broadcast)
        seen.shows("station:band_saw", "fault")
        seen.shows("collector:main", "held")


NO_STATUS: Final = (
    b"",
    b"{",
    b"[]",
    b"null",
    b'"text"',
    b"\xff\xfe",
    b"{}",
    b'{"state": null}',
    b'{"state": []}',
    b"[" * 5000,
)


def test_message_that_is_no_status_leaves_the_rest_as_it_is(stage: Stage) -> None:
    stage.at(MOMENTS["running"])
    seen = stage.looks()
    seen.shows("station:band_saw", "open")
    for payload in NO_STATUS:
        for topic in (
            "gate/planing",
            "tool/jointer",
            "collector/other",
            "alarm/x.y.z",
            "gate/<b>bold</b>",
            "tool/__proto__",
        ):
            stage.broadcast.say(f"gatehand/{topic}", payload)
    stage.at(MOMENTS["rest"])
    seen.shows("station:band_saw", "shut")
    seen.shows("station:planing", "shut")
    assert not measured(seen.page).faults_of_layout()


def test_name_on_a_topic_is_text(stage: Stage) -> None:
    shop = stage.shop()
    for topic, payload in list(shop.published.items()):
        kind, _, name = topic.removeprefix("gatehand/").partition("/")
        if name in {"planing", "jointer"}:
            for odd in ("<img src=x onerror=alert(6)>", "__proto__", "constructor", "a b"):
                shop.published[f"gatehand/{kind}/{odd}"] = payload
    shop.show(stage.broadcast)
    seen = stage.looks()
    seen.shows("station:sweep", "shut")
    expect(seen.page.locator("main img")).to_have_count(0)
    assert not measured(seen.page).faults_of_layout()


def test_page_asks_nobody_else_and_shows_itself_without_a_network(stage: Stage) -> None:
    """`Phone.judge` looks at each request. Without a network what was shown stays, and is said to be of the past."""
    stage.at(MOMENTS["running"])
    seen = stage.looks(clock=True)
    seen.shows("station:band_saw", "open")
    assert {each.url.removeprefix(seen.url) for each in seen.requests} <= {"", "events", "me"}
    seen.expects("ERR_")
    seen.context.set_offline(True)
    seen.pass_until(lambda: seen.page.locator("html[data-reached=lost]").count() == 1)
    seen.shows("station:band_saw", "open")
    expect(seen.reached).to_contain_text("LOST")
    assert not measured(seen.page).faults_of_layout()
    seen.context.set_offline(False)
    seen.pass_until(lambda: seen.page.locator("html[data-reached=well]").count() == 1)
