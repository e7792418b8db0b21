"""The index of published versions as people see it: in Chromium, by axe-core, and with names that would be code."""

from __future__ import annotations

from collections.abc import Iterator
from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest

from pipeline.publish.index import Entry, index_entry, index_page
from tests.unit.sheet.browser import Browser, chromium
from tests.unit.sheet.sheets import HOSTILE

STYLE = (files("pipeline.sheet") / "templates" / "sheet.css").read_text(encoding="utf-8")


def version(card: str, name: str, number: str, kind: str = "image", changes: tuple[str, ...] = ()) -> Entry:
    record: dict[str, Any] = {
        "card": {"id": card, "name": name, "version": number},
        "image": {"size": 16 << 20, "sha256": "ab" * 32},
        "made-by": {"program": "cardkiln 0.1.0"},
    }
    since, who = ("1" if kind == "delta" else ""), ("" if number == "1" else HOSTILE)
    folder = f"{card}-{number}{'' if kind == 'image' else f'-{kind}'}"
    stated = {"since": since, "date": "2026-01-05", "signed_by": who, "size": 230_000}
    return index_entry(record, folder, kind, changes=changes, **stated)  # type: ignore[arg-type]


LONG = "GOODS/" + "A" * 300 + ".ROM"
ENTRIES = (
    version("desk", "Desk", "1"),
    version("corner", HOSTILE, "1", "recipe"),
    version("desk", "Desk", "2", changes=("  changed  label: DESK -> TABLE", f"  new      {LONG}", HOSTILE)),
    version("desk", "Desk", "2", "delta", changes=("  changed  label: DESK -> TABLE",)),
    version("desk", "Desk", "2", "recipe", ("  changed  label: DESK -> TABLE",)),
)


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as one:
        yield one


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("index") / "index.html"
    path.write_text(index_page(ENTRIES, STYLE), encoding="utf-8")
    return path


def test_it_says_nothing_to_the_console_and_fetches_nothing_but_itself(browser: Browser, page: Path) -> None:
    browser.open(page)
    assert browser.messages() == []
    assert browser.requests() == [page.as_uri()]


@pytest.mark.parametrize(("width", "dark"), [(390, False), (1000, True)], ids=["telephone", "desk in the dark"])
def test_axe_core_finds_no_violation(browser: Browser, page: Path, width: int, dark: bool) -> None:
    browser.open(page, width=width, dark=dark)
    assert browser.violations() == []


@pytest.mark.parametrize("width", [320, 1000])
def test_nothing_sticks_out_at_the_side(browser: Browser, page: Path, width: int) -> None:
    # WCAG 2.2, 1.4.10: 320 CSS pixels without scrolling in two directions
    browser.open(page, width=width)
    assert browser.run("return document.documentElement.scrollWidth") == width


def test_names_are_shown_as_they_are(browser: Browser, page: Path) -> None:
    browser.open(page)
    headings = browser.run("return [...document.querySelectorAll('h2')].map(one => one.textContent)")
    assert headings == [HOSTILE, "Desk"]
    assert HOSTILE in browser.run("return [...document.querySelectorAll('li')].map(one => one.textContent)")
    assert browser.run("return document.querySelectorAll('script, img').length") == 0


def test_each_version_leads_to_its_own_page_the_newest_first(browser: Browser, page: Path) -> None:
    browser.open(page)
    links = browser.run("return [...document.querySelectorAll('a')].map(one => one.getAttribute('href'))")
    assert links == [
        f"{folder}/README.txt" for folder in ("corner-1-recipe", "desk-2-recipe", "desk-2-delta", "desk-2", "desk-1")
    ]  # fmt: skip


def test_each_folder_says_when_it_was_published_and_who_signed_it(browser: Browser, page: Path) -> None:
    browser.open(page)
    cells = browser.run("return [...document.querySelectorAll('tbody td:nth-child(2)')].map(one => one.innerText)")
    assert [cell.splitlines() for cell in cells] == [
        ["2026-01-05", "230 kB", "not signed"],
        *[["2026-01-05", "230 kB", f"signed by {' '.join(HOSTILE.split())}"]] * 3,
        ["2026-01-05", "230 kB", "not signed"],
    ]
    asides = browser.run("return [...document.querySelectorAll('.aside')].map(one => one.textContent)")
    assert asides == ["recipe", "recipe", "delta for version 1"]


def test_an_index_of_nothing_is_a_page(browser: Browser, tmp_path: Path) -> None:
    (tmp_path / "index.html").write_text(index_page((), STYLE), encoding="utf-8")
    browser.open(tmp_path / "index.html")
    assert browser.violations() == []
