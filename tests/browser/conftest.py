"""One browser for the checks of a module, where there is one."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from playwright.sync_api import BrowserContext, Page

ARGUMENTS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]


# Not of the whole session: while it lives it holds the event loop of this thread, and tests of
# other modules that ask the service could not run.
@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[BrowserContext]:
    """Start the Chromium of the system, with a folder of its own and nothing kept."""
    playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    executable = shutil.which("chromium")
    if executable is None:
        pytest.skip("there is no chromium on the path")
    with playwright.sync_playwright() as running:
        context = running.chromium.launch_persistent_context(
            tmp_path_factory.mktemp("browser"),
            executable_path=executable,
            headless=True,
            args=ARGUMENTS,
        )
        yield context
        context.close()


class Watched:
    """A page, with all that it complained of or asked for."""

    def __init__(self, page: Page) -> None:
        self.page = page
        self.complaints: list[str] = []
        self.requests: list[str] = []
        page.on("console", lambda said: self.complaints.append(said.text))
        page.on("pageerror", lambda error: self.complaints.append(str(error)))
        page.on("request", lambda request: self.requests.append(request.url))

    def show(self, path: Path, width: int = 1440) -> Page:
        """Open a file in a window of a width."""
        self.page.set_viewport_size({"width": width, "height": 900})
        self.page.goto(path.as_uri())
        return self.page


@pytest.fixture
def watched(browser: BrowserContext) -> Iterator[Watched]:
    """Give an empty page that is watched."""
    page = browser.new_page()
    yield Watched(page)
    page.close()
