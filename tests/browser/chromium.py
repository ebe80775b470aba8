"""The system's Chromium, and a tab that writes down all that a page does which it should not."""

from __future__ import annotations

import shutil
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page, Playwright

NAMES = ("chromium", "chromium-browser", "google-chrome")
CHROMIUM = next((found for name in NAMES if (found := shutil.which(name))), None)
REFUSED = """window.refused = [];
addEventListener("securitypolicyviolation", e => window.refused.push(e.violatedDirective + " " + e.blockedURI));
"""


def launch(play: Playwright) -> Browser:
    """The system's Chromium without a window; nothing is downloaded."""
    return play.chromium.launch(executable_path=CHROMIUM)


@dataclass
class Tab:
    """A page open in the browser, and what was heard of it: console, errors, dialogs, whatever it tried to fetch."""

    page: Page
    url: str
    said: list[str] = field(default_factory=list)
    fetched: list[str] = field(default_factory=list)

    def refused(self) -> list[str]:
        """What the page's content security policy stopped."""
        return self.page.evaluate("window.refused")

    def faults(self) -> list[str]:
        """All that a sound page does not do."""
        return [*self.said, *self.fetched, *self.refused()]


def open_tab(
    browser: Browser, path: Path, width: int = 1100, height: int = 900, script: str = "", **context: Any
) -> Tab:
    """Open a file. Every other address is refused and written down; so are console messages, errors and dialogs."""
    page = browser.new_context(viewport={"width": width, "height": height}, **context).new_page()
    tab = Tab(page, path.as_uri())
    page.on("console", lambda message: tab.said.append(message.text))
    page.on("pageerror", lambda error: tab.said.append(str(error)))
    page.on("dialog", lambda dialog: (tab.said.append("a dialog"), dialog.dismiss()))

    def allow(route) -> None:
        if route.request.url.split("#")[0] == tab.url:
            route.continue_()
        else:
            tab.fetched.append(route.request.url)
            route.abort()

    page.route("**/*", allow)
    page.add_init_script(REFUSED + script)
    page.goto(tab.url, wait_until="load", timeout=120_000)  # a busy computer is no fault of the page
    return tab
