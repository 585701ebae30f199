"""A real browser: headless Chromium, with everything it complains of and asks for kept."""

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from playwright.sync_api import Browser, Page, expect, sync_playwright

PHONE, DESK = (390, 844), (1440, 900)
ARGUMENTS = [
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-component-update",
    "--disable-sync",
]  # fmt: skip
PATIENCE_MS = 60_000
"""For a machine that has much else to do: waiting ends as soon as what is waited for is there."""
expect.set_options(timeout=PATIENCE_MS)


@contextmanager
def chromium() -> Iterator[Browser]:
    """Debian's browser, driven by playwright."""
    with sync_playwright() as player:
        browser = player.chromium.launch(executable_path="/usr/bin/chromium", args=ARGUMENTS)
        yield browser
        browser.close()


# All that the live region ever said: it says each thing for a few seconds.
HEARD = """
window.heard = [];
addEventListener("DOMContentLoaded", () => {
  const said = document.getElementById("said");
  if (said) new MutationObserver(() => window.heard.push(said.textContent)).observe(said, {childList: true});
});
"""


class Watched:
    """A browser page, with its complaints and requests."""

    def __init__(self, browser: Browser, size: tuple[int, int], scheme: str = "light") -> None:
        options: Any = {"viewport": {"width": size[0], "height": size[1]}, "color_scheme": scheme}
        self.page: Page = browser.new_context(**options).new_page()
        self.page.add_init_script(HEARD)
        self.page.set_default_timeout(PATIENCE_MS)
        self.complaints: list[str] = []
        self.requests: list[str] = []
        self.page.on("console", lambda m: self.complaints.append(m.text) if m.type in ("error", "warning") else None)
        self.page.on("pageerror", lambda error: self.complaints.append(str(error)))
        self.page.on("request", lambda request: self.requests.append(request.url))

    def fits(self) -> bool:
        """Whether nothing is wider than the window."""
        return bool(self.page.evaluate("document.documentElement.scrollWidth <= window.innerWidth"))
