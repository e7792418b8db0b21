from __future__ import annotations

import os
import sys
import zipfile
from pathlib import Path

import pytest

from pipeline.errors import CheckError, MachineError, ManifestError
from pipeline.model.content import Location
from pipeline.model.manifest import ArchiveLimits
from pipeline.sources.files.listing import list_tree
from tests.unit.sources.zips import Hand, by_hand, pack, put

LIMITS = ArchiveLimits()


def test_a_folder_and_an_archive_of_it_list_the_same_paths(tmp_path: Path) -> None:
    files = {"SYSTEM/x.dat": b"1", "BENCH.SET": b"2", "SYSTEM/a/b": b"3", ".hidden": b"4"}
    for name, data in files.items():
        put(tmp_path / "tree" / name, data)
    (tmp_path / "tree/empty").mkdir()
    archive = pack(
        tmp_path / "tree.ZIP", {"./SYSTEM/x.dat": b"1", "BENCH.SET": b"2", "SYSTEM//a/b": b"3", ".hidden": b"4"}
    )
    folder = list_tree(tmp_path / "tree", LIMITS).files
    assert list(folder) == [".hidden", "BENCH.SET", "SYSTEM/a/b", "SYSTEM/x.dat"]
    assert folder["SYSTEM/a/b"] == Location(path=str(tmp_path / "tree/SYSTEM/a/b"))
    packed = list_tree(archive, LIMITS).files
    assert list(packed) == list(folder)
    assert packed["SYSTEM/x.dat"] == Location(path=str(archive), member="./SYSTEM/x.dat")


def test_another_file_is_listed_alone(tmp_path: Path) -> None:
    path = put(tmp_path / "core.pkg", b"PK\3\4 is only how it begins")
    assert list_tree(path, LIMITS).files == {"core.pkg": Location(path=str(path))}


def test_what_is_not_there_is_named(tmp_path: Path) -> None:
    for name in ("gone", "gone.zip"):
        with pytest.raises(ManifestError) as caught:
            list_tree(tmp_path / name, LIMITS)
        assert str(caught.value) == (
            f"{tmp_path / name}: there is no such file, folder or archive\n  hint: correct the path"
        )


def test_a_hostile_archive_is_refused(tmp_path: Path) -> None:
    path = put(tmp_path / "base.zip", by_hand(Hand(name=b"../x")))
    with pytest.raises(CheckError) as caught:
        list_tree(path, LIMITS)
    assert str(caught.value) == (
        f"{path}: is refused: the name '../x' leads out of the archive by \"..\"\n"
        "  hint: do not trust this archive; if you must, unpack it with care and use the folder"
    )


def test_an_archive_that_can_be_used_only_in_part_is_refused_with_every_reason(tmp_path: Path) -> None:
    path = put(tmp_path / "base.zip", by_hand(Hand(name=b"a", flags=1), Hand(name=b"b"), Hand(name=b"c", method=12)))
    with pytest.raises(CheckError) as caught:
        list_tree(path, LIMITS)
    assert [problem.what for problem in caught.value.problems] == [
        "the member 'a' is encrypted; it is not used",
        "the member 'c' is packed by method 12 (BZIP2), which is not supported; it is not used",
    ]


@pytest.mark.skipif(sys.platform in ("win32", "darwin"), reason="names are Unicode there")
def test_names_that_are_no_text_are_all_listed(tmp_path: Path) -> None:
    for name in (b"\xff", b"\xfe"):
        Path(os.fsdecode(os.fsencode(tmp_path) + b"/" + name)).touch()
    with pytest.raises(ManifestError) as caught:
        list_tree(tmp_path, LIMITS)
    assert str(caught.value) == "\n".join(
        f"{tmp_path}/\\udc{code}: its name is not valid UTF-8 text\n  hint: rename it" for code in ("fe", "ff")
    )


def test_accents_are_composed_so_that_paths_are_the_same_on_every_machine(tmp_path: Path) -> None:
    # U+0065 U+0301 composes to U+00E9: Unicode Standard Annex 15, table 4
    archive = pack(tmp_path / "a.zip", {"cafe\u0301": b"1"})
    assert list_tree(archive, LIMITS).files == {"caf\u00e9": Location(path=str(archive), member="cafe\u0301")}
    both = pack(tmp_path / "b.zip", {"cafe\u0301": b"1", "caf\u00e9": b"2"})
    with pytest.raises(ManifestError, match="two files have the same name once its accents are composed: 'café'"):
        list_tree(both, LIMITS)


@pytest.mark.skipif(os.name == "nt", reason="links need a privilege there")
def test_a_link_to_a_folder_is_refused_rather_than_left_out(tmp_path: Path) -> None:
    put(tmp_path / "there/x", b"1")
    put(tmp_path / "tree/y", b"2")
    (tmp_path / "tree/link").symlink_to(tmp_path / "there")
    with pytest.raises(ManifestError) as caught:
        list_tree(tmp_path / "tree", LIMITS)
    assert str(caught.value) == (
        f"{tmp_path / 'tree/link'}: is a link to a folder; links are not followed, so its files would be missing\n"
        "  hint: put the folder itself here"
    )


def test_a_folder_that_cannot_be_read_is_a_machine_error(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def failing(path: object) -> object:
        raise OSError(5, "Input/output error")

    monkeypatch.setattr(os, "scandir", failing)
    with pytest.raises(MachineError, match="cannot be read: Input/output error"):
        list_tree(tmp_path, LIMITS)


def test_folders_without_files_are_listed_the_innermost_of_each(tmp_path: Path) -> None:
    """APPNOTE 4.3.8: an entry for a folder is a name that ends with "/"."""
    tree = tmp_path / "tree"
    for name in ("saves/old/cafe\u0301", "games/empty", "full"):
        (tree / name).mkdir(parents=True)
    (tree / "full/a.bin").write_bytes(b"a")
    (tree / "games/b.bin").write_bytes(b"b")
    with zipfile.ZipFile(tmp_path / "tree.zip", "w") as archive:
        for name in ("saves/", "saves/old/", "saves/old/cafe\u0301/", "games/empty/", "full/"):
            archive.writestr(name, b"")
        archive.writestr("full/a.bin", b"a")
        archive.writestr("games/b.bin", b"b")
    (tmp_path / "bare").mkdir()
    with zipfile.ZipFile(tmp_path / "bare.zip", "w"):
        pass

    expected = ("games/empty", "saves/old/caf\u00e9")
    for name, empty in (("tree", expected), ("bare", ("",)), ("tree/full/a.bin", ())):
        assert list_tree(tmp_path / name, LIMITS).empty_folders == empty
    for name, empty in (("tree.zip", expected), ("bare.zip", ("",))):
        assert list_tree(tmp_path / name, LIMITS).empty_folders == empty
