"""`python -m tests.readme_picture`: the README's picture of the page, taken from `gatehand demo --page` in a browser.

The demo's day is played as it is; the picture is taken once the band saw's gate has jammed. What the page shows is
judged by tests/phone; the picture is not compared, since each version of a browser draws letters a little differently.
"""

import re
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Final

sys.path.insert(0, str(Path(__file__).parent))

from playwright.sync_api import sync_playwright
from support.chromium import FLAGS, chromium_program

ROOT: Final = Path(__file__).resolve().parents[1]
PICTURE: Final = ROOT / "deploy/pictures/page.png"
_ADDRESS: Final = re.compile(r"http://\S+")
_CODE: Final = re.compile(r"\b[A-Z0-9]{4}-[A-Z0-9]{4}\b")
_PATIENCE_MS: Final = 60_000


def main() -> int:
    """Play, look, write."""
    with tempfile.TemporaryDirectory(prefix="readme-picture-") as folder:
        command = [sys.executable, "-u", "-m", "gatehand", "demo", "--page", "--log", folder]
        with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as demo:  # noqa: S603 - our own command
            assert demo.stdout is not None
            said = ""
            while not (_ADDRESS.search(said) and _CODE.search(said)):
                line = demo.stdout.readline()
                if not line:
                    print(said, file=sys.stderr)
                    return 1
                said += line
            address, code = (found[0] for found in (_ADDRESS.search(said), _CODE.search(said)) if found)
            _take(address, code)
            demo.stdout.read()
    print(f"{PICTURE.relative_to(ROOT)}: written")
    return 0


def _take(address: str, code: str) -> None:
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium_program(), args=[*FLAGS])
        page = browser.new_page(viewport={"width": 360, "height": 1500}, device_scale_factor=2, color_scheme="light")
        page.goto(address)
        page.get_by_role("button", name="Pair this phone").click()
        page.locator("#pair input").fill(code)
        page.locator("#pair").get_by_role("button", name="Pair").click()
        page.locator("#pair").wait_for(state="hidden")
        page.get_by_role("button", name="Close").click()
        page.locator('[data-part="alarms"]').get_by_text("has not reported open").first.wait_for(timeout=_PATIENCE_MS)
        page.evaluate("scrollTo(0, 0)")
        page.screenshot(path=PICTURE)
        browser.close()


if __name__ == "__main__":
    sys.exit(main())
