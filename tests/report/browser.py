"""A real browser with the page in it, and everything that it said, asked or tried while the page was open."""

from __future__ import annotations

import shutil
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from playwright.sync_api import Browser, Dialog, Page

DESK: Final = (1280, 800)
"""CSS pixels of a small screen on a desk,"""
PHONE: Final = (390, 844)
"""and of a phone."""
ARGUMENTS: Final = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)


@contextmanager
def running() -> Iterator[Browser]:
    """Run the system's Chromium; nothing is downloaded for it."""
    from playwright.sync_api import sync_playwright  # noqa: PLC0415  slow to import, and only few tests need it

    with sync_playwright() as started:
        browser = started.chromium.launch(executable_path=shutil.which("chromium"), args=list(ARGUMENTS))
        try:
            yield browser
        finally:
            browser.close()


@dataclass(frozen=True, slots=True)
class Opened:
    """A page that is open."""

    page: Page
    console: list[str] = field(default_factory=list)
    """Messages to the console, its errors included, and errors that nobody caught."""
    dialogs: list[str] = field(default_factory=list)
    requests: list[str] = field(default_factory=list)
    """Addresses that were asked for, that of the page included."""

    def value(self, script: str, argument: object = None) -> Any:
        """Return what an expression is worth in the page."""
        return self.page.evaluate(script, argument)

    @property
    def silent(self) -> bool:
        """Whether nothing was said, nothing asked, and nothing opened but the page itself."""
        return not self.console and not self.dialogs and len(self.requests) == 1


@contextmanager
def opened(
    browser: Browser,
    place: Path,
    size: tuple[int, int] = DESK,
    *,
    dark: bool = False,
    scripts: bool = True,
    unguarded: bool = False,
) -> Iterator[Opened]:
    """Open a file as somebody does who has no network and never used this browser before.

    Args:
        browser: The browser.
        place: The file.
        size: Of the window, CSS pixels.
        dark: Whether the reader prefers dark colours.
        scripts: Whether scripts run.
        unguarded: Whether the page's own policy is passed over, so that a test can put a script into it.
    """
    context = browser.new_context(
        viewport={"width": size[0], "height": size[1]},
        color_scheme="dark" if dark else "light",
        java_script_enabled=scripts,
        bypass_csp=unguarded,
        offline=True,
    )
    try:
        seen = Opened(context.new_page())
        seen.page.on("console", lambda message: seen.console.append(f"{message.type}: {message.text}"))
        seen.page.on("pageerror", lambda error: seen.console.append(f"error: {error}"))
        seen.page.on("dialog", lambda dialog: _dismiss(dialog, seen.dialogs))
        context.on("request", lambda request: seen.requests.append(request.url))
        seen.page.goto(place.absolute().as_uri())
        yield seen
    finally:
        context.close()


def _dismiss(dialog: Dialog, dialogs: list[str]) -> None:
    dialogs.append(dialog.message)
    dialog.dismiss()
