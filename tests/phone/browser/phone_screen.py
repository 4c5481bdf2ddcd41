"""A phone in a test's hand: one context of the browser, of which nothing goes unnoticed.

Every line of the console that is an error or a warning, every exception in the page, every dialog that a script opens
and every request to another origin is kept, and fails the test at its end.
"""

import re
from collections.abc import Callable
from typing import Final, Literal
from urllib.parse import urlsplit

from playwright.sync_api import Browser, ConsoleMessage, Dialog, Locator, Request, StorageState, expect
from playwright.sync_api import TimeoutError as LastedTooLongError
from support.child import wait_until

NARROW: Final = 360
"""CSS pixels: the narrowest of today's phones."""
MANY_MS: Final = 60_000
"""Only a hang exceeds it."""
SEEN: Final = r"""element => {
    const hidden = node => {
        for (let each = node; each && each !== document.body; each = each.parentElement)
            if (getComputedStyle(each).clipPath === "inset(50%)") return true;
        return !node.checkVisibility({opacityProperty: true, visibilityProperty: true});
    };
    const found = [], walker = document.createTreeWalker(element, NodeFilter.SHOW_TEXT);
    for (let node = walker.nextNode(); node; node = walker.nextNode())
        if (node.data.trim() && !hidden(node.parentElement)) found.push(node.data);
    return found.join(" ").split(/\s+/).join(" ").trim();
}"""
"""The words of an element that can be seen; each text by itself, whatever stands between."""
expect.set_options(timeout=MANY_MS)


class Phone:
    """A page that shows the shop.

    Args:
        browser: whose context it is.
        url: of the page.
        width: CSS pixels.
        height: the same.
        scheme: which colours the phone's owner likes.
        clock: the page's own clock can be stopped and moved.
        touch: it is a phone, and no desk's browser.
        state: cookies of another one that was paired (`context.storage_state()`).
        zone: its time zone, by its IANA name.
    """

    def __init__(
        self,
        browser: Browser,
        url: str,
        *,
        width: int = NARROW,
        height: int = 740,
        scheme: Literal["light", "dark"] = "light",
        clock: bool = False,
        touch: bool = True,
        state: StorageState | None = None,
        zone: str = "UTC",
    ) -> None:
        self.url = url
        self.errors: list[str] = []
        self.requests: list[Request] = []
        self._expected: list[str] = []
        self._others: set[str] = set()
        self.context = browser.new_context(
            viewport={"width": width, "height": height},
            is_mobile=touch,
            has_touch=touch,
            color_scheme=scheme,
            locale="en-GB",
            timezone_id=zone,
            storage_state=state,
        )
        self.page = self.context.new_page()
        self.context.on("console", self._on_console)
        self.context.on("weberror", lambda error: self.errors.append(f"exception: {error.error}"))
        self.context.on("dialog", self._on_dialog)
        self.context.on("request", lambda request: self.requests.append(request))  # noqa: PLW0108 - it marks what it calls
        if clock:
            self.page.clock.install()
        self.page.goto(url, wait_until="domcontentloaded")

    def part(self, key: str) -> Locator:
        """The element of a part."""
        return self.page.locator(f'[data-part="{key}"]')

    def station(self, name: str) -> Locator:
        """A gate's tile."""
        return self.part(f"station:{name}")

    def button(self, do: str, name: str | None = None) -> Locator:
        """A button that is there to be pressed, by what it does, and to what."""
        whose = "" if name is None else f'[data-name="{name}"]'
        return self.page.locator(f'button[data-do="{do}"]{whose}:visible')

    @property
    def reached(self) -> Locator:
        """What says whether all this is of now."""
        return self.page.locator("#reached")

    def hears(self) -> "Phone":
        """Wait until the first parts have come."""
        self.page.wait_for_selector("html:is([data-reached=well], [data-reached=lost])")
        return self

    def words(self, key: str) -> str:
        """What is written in a part for the eye, on one line: nothing that only a screen reader is told."""
        return str(self.part(key).evaluate(SEEN))

    def shows(self, key: str, words: str) -> None:
        """Wait until these words are written in a part for the eye, with whichever capitals."""
        wanted = " ".join(words.split()).lower()
        script = f"""([key, wanted]) => {{
            const part = document.querySelector(`[data-part="${{CSS.escape(key)}}"]`);
            return part !== null && ({SEEN})(part).toLowerCase().includes(wanted);
        }}"""
        try:
            self.page.wait_for_function(script, arg=[key, wanted], polling=50)
        except LastedTooLongError:
            found = self.words(key) if self.part(key).count() else "no such part"
            raise AssertionError(f"{key} does not show {wanted!r}: {found!r}") from None

    def stations(self) -> list[str]:
        """The tiles in the order in which they are read."""
        keys = self.page.locator('[data-part^="station:"]').evaluate_all("all => all.map(each => each.dataset.part)")
        return [str(each).removeprefix("station:") for each in keys]

    @property
    def alarms(self) -> Locator:
        """Each alarm that is shown."""
        return self.part("alarms").locator("[data-alarm]")

    def alarm_ids(self) -> list[str]:
        """Their ids."""
        return [str(each) for each in self.alarms.evaluate_all("all => all.map(each => each.dataset.alarm)")]

    @property
    def hands(self) -> Locator:
        """Every button that asks the daemon for something, as far as it is there to be pressed."""
        does = ", ".join(f'[data-do="{each}"]' for each in ("hand", "hand-end", "hold", "reset"))
        return self.page.locator(f"button:is({does}):visible")

    def counted(self, key: str) -> tuple[float, int]:
        """Seconds of the page's own clock, and what the countdown of a part says then."""
        self.page.wait_for_selector("html[data-reached=well]")
        self.page.clock.run_for(250)
        shown = self.words(key)
        found = re.search(r"in (?:(\d+) min)? ?(?:(\d+) s)?", shown)
        assert found is not None, shown
        return self.page.evaluate("Date.now()") / 1000, 60 * int(found[1] or 0) + int(found[2] or 0)

    def pair(self, code: str) -> None:
        """Type a code into the page; by its keys, since the page may still grow above the button."""
        self.page.get_by_role("button", name="Pair this phone").press("Enter")
        self.pair_in_dialog(code)

    def pair_in_dialog(self, code: str) -> None:
        """The same once the dialog is open."""
        dialog = self.page.locator("dialog#pair")
        dialog.get_by_role("textbox", name="Code").fill(code)
        dialog.get_by_role("button", name="Pair", exact=True).click()
        expect(dialog).not_to_be_visible()

    def pass_seconds(self, seconds: int) -> None:
        """Time of the page's own, second by second."""
        for _ in range(seconds):
            self.page.clock.run_for(1000)

    def pass_until(self, true: Callable[[], bool]) -> None:
        """Time of the page's own, until it is so: what it tries again, it tries after a while."""

        def passes() -> bool:
            self.page.clock.run_for(1000)
            return true()

        wait_until(passes, what="the page is current again")

    def expects(self, pattern: str) -> None:
        """Lines of the console that this test means to bring about."""
        self._expected.append(pattern)

    def may_ask(self, netloc: str) -> None:
        """Another host and port, to which the test itself has led it."""
        self._others.add(netloc)

    def close(self) -> None:
        """Close its pages."""
        self.context.close()

    def judge(self) -> None:
        """Fail for what should not have been."""
        unmeant = [each for each in self.errors if not any(re.search(one, each) for one in self._expected)]
        assert not unmeant, "\n".join(unmeant)
        known = {urlsplit(self.url).netloc, *self._others}
        strangers = [each.url for each in self.requests if urlsplit(each.url).netloc not in known]
        assert not strangers, f"asked elsewhere: {strangers}"

    def _on_console(self, message: ConsoleMessage) -> None:
        if message.type in {"error", "warning", "assert"}:
            self.errors.append(
                f"{message.type}: {message.text} {urlsplit(message.location.get('url', '')).path}".strip()
            )

    def _on_dialog(self, dialog: Dialog) -> None:
        self.errors.append(f"dialog: {dialog.message}")
        dialog.dismiss()
