"""The sheet as people see it: in Chromium on a desk and on a telephone, in the dark, on paper, and by axe-core."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from pipeline.sheet.page import sheet_text
from tests.unit.sheet.browser import A4, LETTER, Browser, chromium
from tests.unit.sheet.sheets import HOSTILE, SUMS, hostile, many

PAGES = ("arcade-evening", "console-corner", "hostile", "folded")


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as one:
        yield one


@pytest.fixture(scope="session")
def pages(demo: dict[str, Path], tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    folder = tmp_path_factory.mktemp("pages")
    made = {"hostile": hostile(), "folded": many(60)}
    for name, sheet in made.items():
        (folder / f"{name}.html").write_text(sheet_text(sheet, SUMS).decode(), encoding="utf-8")
    return {**demo, **{name: folder / f"{name}.html" for name in made}}


@pytest.mark.parametrize("page", PAGES)
def test_it_says_nothing_to_the_console_and_fetches_nothing_but_itself(
    browser: Browser, pages: dict[str, Path], page: str
) -> None:
    browser.open(pages[page])
    assert browser.messages() == []
    assert browser.requests() == [pages[page].as_uri()]


def test_what_it_would_say_and_fetch_would_be_heard(browser: Browser, tmp_path: Path) -> None:
    page = tmp_path / "bad.html"
    page.write_text("<!DOCTYPE html><title>x</title><img src=other.png alt=''><script>console.error('ouch')</script>")
    browser.open(page)
    assert any("ouch" in message for message in browser.messages())
    assert browser.requests() == [page.as_uri(), (tmp_path / "other.png").as_uri()]


@pytest.mark.parametrize(("width", "dark"), [(390, False), (1000, True)], ids=["telephone", "desk in the dark"])
@pytest.mark.parametrize("page", PAGES)
def test_axe_core_finds_no_violation(
    browser: Browser, pages: dict[str, Path], page: str, width: int, dark: bool
) -> None:
    browser.open(pages[page], width=width, dark=dark)
    browser.run("document.querySelectorAll('details').forEach(one => one.open = true)")
    assert browser.violations() == []


@pytest.mark.parametrize("width", [320, 800])
@pytest.mark.parametrize("page", PAGES)
def test_nothing_sticks_out_at_the_side(browser: Browser, pages: dict[str, Path], page: str, width: int) -> None:
    # WCAG 2.2, 1.4.10: 320 CSS pixels without scrolling in two directions
    browser.open(pages[page], width=width)
    browser.run("document.querySelectorAll('details').forEach(one => one.open = true)")
    seen = "[...document.querySelectorAll('body *:not(.unseen *)')]"
    wide = f"{seen}.filter(one => one.getBoundingClientRect().right > {width} + 0.5)"
    assert browser.run(f"return {wide}.map(one => one.outerHTML.slice(0, 100))") == []
    assert browser.run("return document.documentElement.scrollWidth") == width


def test_hostile_names_are_shown_as_they_are(browser: Browser, pages: dict[str, Path]) -> None:
    browser.open(pages["hostile"])
    assert browser.run("return document.querySelector('h1').textContent") == HOSTILE
    assert browser.run("return document.title") == f"{HOSTILE}: sheet of the card"
    assert browser.run("return document.querySelectorAll('script, img').length") == 0


def test_a_name_with_marks_of_writing_direction_turns_nothing_around_it(
    browser: Browser, pages: dict[str, Path]
) -> None:
    browser.open(pages["hostile"])
    # the words behind a name stand to the right of it, as they would behind any other, unless a line ends between
    after = """
        const aside = [...document.querySelectorAll(".core h3 .aside")][0];
        const [kind, between] = aside.childNodes;
        const range = document.createRange();
        range.selectNodeContents(between);
        const [name] = [...kind.getClientRects()].slice(-1), [words] = range.getClientRects();
        return [between.data, words.top > name.top + 5 || words.left >= name.right - 1];
    """
    assert browser.run(after) == [", release ", True]


@pytest.mark.parametrize(("paper", "size"), [(A4, (595, 842)), (LETTER, (612, 792))], ids=["A4", "Letter"])
@pytest.mark.parametrize(("page", "least", "most"), [("quillon-desk", 2, 4), ("arcade-evening", 6, 9)])
def test_it_prints_on_the_pages_expected(
    browser: Browser, pages: dict[str, Path], page: str, least: int, most: int,
    paper: tuple[float, float], size: tuple[int, int],
) -> None:  # fmt: skip
    # sizes in points: ISO 216 A4 is 210 x 297 mm, Letter is 8.5 x 11 inches; 72 points an inch
    browser.open(pages[page])
    headings = browser.run("return [...document.querySelectorAll('h2')].map(one => one.textContent.trim())")
    printed = browser.printed(paper)
    assert least <= len(printed.pages) <= most
    texts = [one.extract_text() for one in printed.pages]
    for number, (one, text) in enumerate(zip(printed.pages, texts, strict=True), 1):
        assert (round(one.mediabox.width), round(one.mediabox.height)) == pytest.approx(size, abs=1)
        assert f"{number} / {len(texts)}" in text
        lines = [line for line in text.splitlines() if line.strip() and "/ " not in line]
        assert len(lines) > 2, f"page {number} is all but empty"
        assert lines[-1].strip() not in headings, f"page {number} ends with a heading"
    assert "Made by cardkiln" in texts[-1]


def test_a_folded_list_stays_folded_on_paper_unless_it_is_open(browser: Browser, pages: dict[str, Path]) -> None:
    browser.open(pages["folded"])
    folded = len(browser.printed(A4).pages)
    browser.run("document.querySelectorAll('details').forEach(one => one.open = true)")
    assert folded <= 4
    assert len(browser.printed(A4).pages) > folded
