"""A card comes to its board, cores, titles, settings and volume type (rules of our own; common practice)."""

from __future__ import annotations

from dataclasses import replace

import pytest

from pipeline.card.select import select
from pipeline.errors import ManifestError
from pipeline.model.manifest import Needs, Setting
from tests.support import samples

LANGUAGE = Setting(
    name="language", path="BENCH.SET", section="words", key="form", choices={"standard": "0", "regional": "1"}
)


def test_named_items_keep_their_order_and_tagged_ones_follow_by_id() -> None:
    card = samples.card(cores=("reed", "fern"), tags=("wet",))
    cores = [samples.core(id) for id in ("fern", "reed")] + [samples.core(id, tags=("wet",)) for id in ("moss", "alga")]
    selection = select(samples.manifest(samples.board(), *cores, card), card)
    assert [core.id for core in selection.cores] == ["reed", "fern", "alga", "moss"]


def test_a_tag_brings_only_titles_whose_core_is_on_the_card() -> None:
    card = samples.card(tags=("wet",))
    titles = [samples.title("pond", tags=("wet",)), samples.title("mire", tags=("wet",), core="moss")]
    selection = select(samples.manifest(samples.board(), samples.core(), samples.core("moss"), *titles, card), card)
    assert [title.id for title in selection.titles] == ["pond"]


def test_volume_type_is_what_board_and_every_core_can_read() -> None:
    card = samples.card()
    core = samples.core(needs=Needs(volumes=("fat16",)))
    assert select(samples.manifest(samples.board(), core, card), card).fat_bits == 16


def test_cores_with_no_common_volume_are_refused_naming_both_sides() -> None:
    card = samples.card(cores=("fern", "moss"))
    cores = [
        samples.core("fern", needs=Needs(volumes=("fat16",))),
        samples.core("moss", needs=Needs(volumes=("fat32",))),
    ]
    with pytest.raises(ManifestError) as caught:
        select(samples.manifest(samples.board(), *cores, card), card)
    assert str(caught.value) == (
        "inputs/cards/desk.toml: cores: no volume type is read by all: board oak reads FAT16 and FAT32; "
        "core fern reads FAT16; core moss reads FAT32\n"
        "  see inputs/boards/oak.toml: volumes\n"
        "  see inputs/cores/fern.toml: needs.volumes\n"
        "  see inputs/cores/moss.toml: needs.volumes\n"
        "  hint: put cores that read different volumes on different cards"
    )


def test_a_volume_type_asked_for_must_be_read_by_every_core() -> None:
    card = samples.card()
    card = samples.card(volume=replace(card.volume, type="fat32"))
    core = samples.core(needs=Needs(volumes=("fat16",)))
    with pytest.raises(ManifestError) as caught:
        select(samples.manifest(samples.board(), core, card), card)
    assert str(caught.value) == (
        "inputs/cards/desk.toml: volume.type: FAT32 is asked for, but core fern reads only FAT16\n"
        "  see inputs/cores/fern.toml: needs.volumes\n"
        "  hint: leave out volume.type to have it derived, or remove core fern from this card"
    )


def test_settings_come_from_what_cores_need() -> None:
    card = samples.card()
    core = samples.core(needs=Needs(settings={"language": "regional"}))
    board = samples.board(settings={"language": LANGUAGE})
    assert select(samples.manifest(board, core, card), card).settings == {"language": "regional"}


def test_two_voices_that_want_a_setting_differently_are_both_named() -> None:
    card = samples.card(settings={"language": "standard"})
    core = samples.core(needs=Needs(settings={"language": "regional"}))
    with pytest.raises(ManifestError) as caught:
        select(samples.manifest(samples.board(settings={"language": LANGUAGE}), core, card), card)
    assert str(caught.value) == (
        'inputs/cards/desk.toml: settings: board setting "language" is needed with different values: '
        'this card "standard", fern "regional"\n'
        "  see inputs/cards/desk.toml: settings.language\n"
        "  see inputs/cores/fern.toml: needs.settings.language\n"
        "  hint: put cores that need different settings on different cards"
    )
