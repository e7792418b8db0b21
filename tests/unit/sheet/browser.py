"""A headless Chromium, driven through its own driver: what a page says, fetches, shows and prints."""

from __future__ import annotations

import base64
import io
import json
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pypdf
from selenium import webdriver
from selenium.webdriver.chrome.service import Service

from tests.strangers.tools import require
from tests.support.needs import missing

A4 = (8.27, 11.69)
LETTER = (8.5, 11.0)
"""Inches (ISO 216; ANSI/ASME Y14.1, size A)."""


class Browser:
    """One page after another in one browser."""

    def __init__(self, driver: webdriver.Chrome) -> None:
        self._driver = driver

    def open(self, page: Path, *, width: int = 1000, dark: bool = False) -> None:
        """Show a page in a window of so many CSS pixels."""
        self.messages()
        self.requests()
        scheme = {"name": "prefers-color-scheme", "value": "dark" if dark else "light"}
        self._driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": [scheme]})
        screen = {"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": width < 500}
        self._driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", screen)
        self._driver.get(page.as_uri())

    def messages(self) -> list[str]:
        """Return what stands in the console since the last call."""
        return [entry["message"] for entry in self._log("browser")]

    def requests(self) -> list[str]:
        """Return every address that was asked for since the last call."""
        events = [json.loads(entry["message"])["message"] for entry in self._log("performance")]
        sent = [event["params"] for event in events if event["method"] == "Network.requestWillBeSent"]
        return [one["request"]["url"] for one in sent]

    def _log(self, kind: str) -> list[dict[str, Any]]:
        entries: list[dict[str, Any]] = self._driver.get_log(kind)  # type: ignore[no-untyped-call]  # no types there
        return entries

    def run(self, script: str) -> Any:
        """Return what a script gives, which sees the page as it is shown."""
        return self._driver.execute_script(script)

    def violations(self) -> list[str]:
        """Return what axe-core finds wrong, in all of its rules; none of them may be unable to run."""
        self._driver.execute_script(axe_core().read_text(encoding="utf-8"))
        found = self._driver.execute_async_script("axe.run().then(arguments[0])")
        assert len(found["passes"]) > 15
        return [f"{rule['id']}: {node['html'][:200]}" for rule in found["violations"] for node in rule["nodes"]]

    def printed(self, paper: tuple[float, float]) -> pypdf.PdfReader:
        """Return the page as it comes out of a printer; ``paper`` in inches."""
        wanted = {"paperWidth": paper[0], "paperHeight": paper[1], "preferCSSPageSize": True}
        made = self._driver.execute_cdp_cmd("Page.printToPDF", wanted)
        return pypdf.PdfReader(io.BytesIO(base64.b64decode(made["data"])))


def axe_core() -> Path:
    """Return the accessibility checker of npm's package axe-core, whose file AXE_CORE names."""
    path = os.environ.get("AXE_CORE")
    if not path:
        missing("AXE_CORE does not name axe.min.js of npm's package axe-core")
    return Path(path)


@contextmanager
def chromium() -> Iterator[Browser]:
    """Give a browser that was never used before."""
    options = webdriver.ChromeOptions()
    options.binary_location = require("chromium")
    for switch in ("headless=new", "no-sandbox", "disable-dev-shm-usage", "disable-gpu", "hide-scrollbars"):
        options.add_argument(f"--{switch}")  # no sandbox: it refuses to start for root, which CI is
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    driver = webdriver.Chrome(options=options, service=Service(require("chromedriver")))
    try:
        yield Browser(driver)
    finally:
        driver.quit()
