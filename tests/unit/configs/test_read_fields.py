"""Fields read back from the lines that they were written as."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline.configs.read_fields import LONGEST, fields_from, fields_in
from pipeline.configs.template import fill_in


@pytest.mark.parametrize(
    ("templates", "lines", "known", "found"),
    [
        (["{name}"], ["Ash: a tree"], {}, {"name": "Ash: a tree"}),
        (
            ["{core}: {name} ({kind})"],
            ["ASH: Ash (b) (arcade)"],
            {},
            {"core": "ASH", "name": "Ash (b)", "kind": "arcade"},
        ),
        (["{core}", "", "{name}"], ["ASH", "", "Ash"], {}, {"core": "ASH", "name": "Ash"}),
        (["{{{core}}} {name}"], ["{ASH} x"], {}, {"core": "ASH", "name": "x"}),
        (["{name}={name}"], ["a=a"], {}, {"name": "a"}),
        (["{name}={name}"], ["a=b"], {}, None),
        (["{name} {core}"], ["a ash"], {"core": "ASH"}, {"name": "a", "core": "ash"}),
        (["{name} {core}"], ["a elm"], {"core": "ASH"}, None),
        (["{core}"], ["two words"], {}, None),
        (["{kind}"], ["Arcade"], {}, None),
        (["{name}"], [""], {}, None),
        (["{name}"], ["a", "b"], {}, None),
        (["plain."], ["plain."], {}, {}),
        (["plain."], ["plainx"], {}, None),
        (["{name}"], ["x" * LONGEST], {}, {"name": "x" * LONGEST}),
        (["{name}"], ["x" * (LONGEST + 1)], {}, None),
    ],
)
def test_fields_of_lines(
    templates: list[str], lines: list[str], known: dict[str, str], found: dict[str, str] | None
) -> None:
    assert fields_from(templates, lines, known) == found


TEMPLATES = st.lists(st.lists(st.sampled_from(["{name}", "{core}", "{release}", "{{", "}}", ": ", "x"]), max_size=4).map("".join), min_size=1, max_size=3)  # fmt: skip  # noqa: E501
TEXTS = st.text(st.characters(exclude_characters="\n\r", exclude_categories=["Cs"]), min_size=1, max_size=9)


@given(TEMPLATES, st.from_regex("[A-Za-z0-9_-]{1,8}", fullmatch=True), TEXTS, TEXTS)
def test_what_is_read_gives_the_same_lines_again(templates: list[str], core: str, name: str, release: str) -> None:
    written = {"core": core, "name": name, "release": release}
    lines = [fill_in(template, written) for template in templates]
    found = fields_from(templates, lines)
    assert found is not None
    assert found.keys() == fields_in(templates)
    assert [fill_in(template, found) for template in templates] == lines
