"""The demo's sheets, built once a session."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.support.cli import demo_copy, doit

CARDS = ("arcade-evening", "console-corner", "quillon-desk")


@pytest.fixture(scope="session")
def demo(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Return where the sheet of each card of the demo lies."""
    folder = demo_copy(tmp_path_factory.mktemp("sheets"))
    assert doit(folder).code == 0
    return {card: folder / "build/cards" / card / "sheet.html" for card in CARDS}
