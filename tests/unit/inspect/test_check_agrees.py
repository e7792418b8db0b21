"""A card built from small manifests is judged alike by ``doit check`` and ``doit look``: one set of rules."""

from __future__ import annotations

import tempfile
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.build.rules import Judgement
from pipeline.inspect.look import look
from pipeline.inspect.open_target import opened_target
from pipeline.model.rules import BITSTREAM_IS_IDENTIFIABLE, RULES
from tests.support import small
from tests.support.building import build_card_in, build_in

SILENCED = "[silence]\n" + "".join(
    f'{name} = "tried"\n' for name, rule in RULES.items() if rule.can_be_silenced and rule.stage == "check"
)
"""So that a card is built whatever it breaks of what may be set aside."""

MOSS = b"another invented bitstream"


@st.composite
def projects(draw: st.DrawFn) -> dict[str, str | bytes]:
    """Draw a board, its cores, titles and a card that keep or break rules of every kind that can be set aside."""
    reserved = draw(
        st.lists(st.sampled_from(["SYSTEM/**", "BENCH.SET", "GOODS/**", "KEY.TXT", "fabrics/**"]), unique=True)
    )
    board = small.BOARD.replace('base = ["files/system"]', f'base = ["files/system"]\nreserved = {reserved}')
    board = board.replace(
        'outputs = ["rgb"]', f'outputs = ["rgb", "dvi"]\nlargest-card = "{draw(st.sampled_from([8, 16]))} MiB"'
    )
    if slots := draw(st.integers(0, 2)):
        board = board.replace("[cores]", f"[cores]\nslots = {slots}")
    names = draw(st.sampled_from(["short", "long"]))
    rules = (
        f'[titles]\nnames = "{names}"\nlargest = "{draw(st.integers(1, 2))} KiB"\nmost = {draw(st.integers(1, 2))}\n'
    )
    date = draw(st.sampled_from(["", "date = 2026-05-01\nrelease-date = 2026-06-01\n"]))
    core = small.CORE.replace("boards =", f"{date}boards =").replace(
        'release = "1.0"', 'release = "1.0"\nfolder = "FERN"'
    )
    core = core.replace("[needs]", '[needs]\noutputs = ["rgb"]')
    moss = core.replace("Fern", "Moss").replace("FERN", "MOSS")
    moss = moss.replace(f"size = {len(small.BITSTREAM)}", f"size = {len(MOSS)}")
    moss = moss.replace(small.sha(small.BITSTREAM), small.sha(MOSS))
    paths = ["KEY.TXT", "SYSTEM/X.BIN", "GOODS/FERN/A.DAT", "GOODS/FERN/a long name.dat", "Notes about it.txt"]
    copied = draw(st.lists(st.sampled_from(paths), unique=True))
    contents = {path: draw(st.sampled_from([b"", b"note", small.ROM, small.BITSTREAM])) for path in copied}
    owned = draw(st.lists(st.sampled_from(["B.DAT", "Large file.dat"]), unique=True))
    sizes = {name: draw(st.integers(1, 3)) << 10 for name in owned}
    cores = draw(st.sampled_from([["fern"], ["fern", "moss"]]))
    card = small.CARD.replace('cores = ["fern"]', f"cores = {cores}")
    card = card.replace('board = "oak"', 'board = "oak"\nstations = ["attic"]')
    if draw(st.booleans()):
        card += '[[edits]]\npath = "BENCH.SET"\nsection = "words"\nkey = "form"\nvalue = "1"\n'
    files = "".join(f'[[files]]\npath = "{path}"\nfrom = "files/own/{i}"\n' for i, path in enumerate(copied))
    outputs = draw(st.sampled_from(['["rgb"]', '["dvi"]']))
    return {
        "inputs/boards/oak.toml": board,
        "inputs/cores/fern.toml": core + rules,
        "inputs/cores/moss.toml": moss,
        "inputs/stations/attic.toml": f'name = "Attic"\n[[displays]]\nname = "tube"\ninputs = {outputs}\n',
        "inputs/titles/snail-race.toml": small.TITLE
        + "".join(f'[[files]]\npath = "{name}"\nfrom = "files/own/{name}"\n' for name in owned),
        "inputs/files/attic/moss.bin": MOSS,
        **{f"inputs/files/own/{i}": contents[path] for i, path in enumerate(copied)},
        **{f"inputs/files/own/{name}": bytes(size) for name, size in sizes.items()},
        "inputs/cards/desk.toml": card + files,
    }


def told(judgement: Judgement) -> set[tuple[str, str, str]]:
    """Return what is said, without the places, which are a manifest's here and a path on the card there.

    Bitstreams are judged when the image is written, and not by the check.
    """
    loud = {("loud", problem.rule, problem.what) for problem in (*judgement.errors, *judgement.warnings)}
    return loud | {
        (found.reason, found.problem.rule, found.problem.what)
        for found in judgement.silenced
        if found.problem.rule != BITSTREAM_IS_IDENTIFIABLE.name
    }


@given(project=projects())
@settings(max_examples=25, deadline=None)
def test_a_built_card_is_judged_alike_by_check_and_look(project: dict[str, str | bytes]) -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        card = str(project["inputs/cards/desk.toml"])
        small.small_project(folder, {**project, "inputs/cards/desk.toml": card + SILENCED})
        build_card_in(folder)
        for text in (card + SILENCED, card):
            (folder / "inputs/cards/desk.toml").write_text(text, "utf-8")
            build = build_in(folder)
            with opened_target(build.workspace, str(folder / "build/cards/desk/card.img")) as image:
                verdict = look(build, image, "oak").verdict
            assert verdict is not None
            assert told(verdict.judgement) == told(build.card("desk").judgement)
