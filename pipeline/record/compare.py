"""What differs between two sides, coarse to fine, each difference once."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from pipeline.model.units import show_size
from pipeline.record.change_reasons import causes_of
from pipeline.record.entry_text import attributes_words, extents_words, times_words
from pipeline.record.snapshot import CardSnapshot, Facts, File

GROUPS = ("volume", "card", "cores", "titles", "files", "placement", "entries", "image")
"""From coarse to fine. "entries": short names, attributes and times; "image": hashes of the whole."""


SAME_BYTES = "made otherwise, same bytes"
"""What is said of a file whose recipe differs, and whose bytes do not."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """One difference. ``kind``: "added", "removed", "changed" or "moved"; ``old`` and ``new``: "" where there is none.

    ``name``: a fact, an id or a path. ``paths``: all it is true of, where files changed in the same way together.
    ``because``: what is behind it, a line each.
    """

    group: str
    kind: str
    name: str
    old: str = ""
    new: str = ""
    paths: tuple[str, ...] = ()
    because: tuple[str, ...] = ()


Changes = tuple[Difference, ...]


def compare(old: CardSnapshot, new: CardSnapshot, causes: Mapping[str, Sequence[str]] | None = None) -> Changes:
    """Return every difference, coarse to fine; none if and only if both say the same.

    What only one side can know is not compared: a folder has no extents, an image no releases. ``causes``: lines that
    tell why a file changed, by its path on the new side, beside what the records say. Sides whose files
    are not all hashed must have those of ``to_hash``.
    """
    found = [*_facts("volume", old.volume, new.volume), *_facts("card", old.card, new.card)]
    found += _by_id("cores", old.cores, new.cores)
    found += _by_id("titles", old.titles, new.titles)
    moved = moves(old, new)
    found += _files(old, new, moved, causes or {})
    pairs = [(old.files[path], new.files[moved.get(path, path)]) for path in old.files if _pair(path, new, moved)]
    found += [*_order(old, new, moved), *_placement(pairs), *_entries(pairs)]
    found += _facts("image", old.image, new.image)
    return tuple(found)


def to_hash(old: CardSnapshot, new: CardSnapshot, same: Iterable[str] = ()) -> tuple[set[str], set[str]]:
    """Return the paths on each side whose hash decides something; ``same``: those known to be equal."""
    known = set(same)
    olds = {path for path, file in old.files.items() if not file.is_folder}
    news = {path for path, file in new.files.items() if not file.is_folder}
    same_size = {path for path in (olds & news) - known if old.files[path].size == new.files[path].size}
    gone, come = olds - news, news - olds
    sizes = {old.files[path].size for path in gone} & {new.files[path].size for path in come}
    return (
        same_size | {path for path in gone if old.files[path].size in sizes},
        same_size | {path for path in come if new.files[path].size in sizes},
    )


def moves(old: CardSnapshot, new: CardSnapshot) -> dict[str, str]:
    """Return old to new path of files that are gone from the one and whose content came up at the other.

    Where a content is there several times, paths go together in order; an empty file has nothing to know it by.
    """
    come: dict[tuple[int, str], list[str]] = {}
    for path, file in new.files.items():
        if path not in old.files and file.size and file.sha256:
            come.setdefault((file.size, file.sha256), []).append(path)
    found = {}
    for path, file in old.files.items():
        candidates = come.get((file.size, file.sha256)) if path not in new.files else None
        if candidates:
            found[path] = candidates.pop(0)
    return found


def _pair(path: str, new: CardSnapshot, moved: Mapping[str, str]) -> bool:
    return path in new.files or path in moved


def _facts(group: str, old: Facts, new: Facts, start: str = "") -> Iterator[Difference]:
    """Yield facts that differ; a side without any knows nothing and is not compared."""
    if not old or not new:
        return
    for name in dict.fromkeys((*old, *new)):
        before, after = old.get(name), new.get(name)
        if before != after:
            kind = "added" if before is None else "removed" if after is None else "changed"
            yield Difference(group=group, kind=kind, name=start + name, old=before or "", new=after or "")


def _by_id(group: str, old: Mapping[str, Facts] | None, new: Mapping[str, Facts] | None) -> Iterator[Difference]:
    if old is None or new is None:
        return
    for key in sorted(old.keys() | new.keys()):
        if key not in old:
            yield Difference(group=group, kind="added", name=key, new=_named(new[key]))
        elif key not in new:
            yield Difference(group=group, kind="removed", name=key, old=_named(old[key]))
        else:
            yield from _facts(group, old[key], new[key], f"{key}: ")


def _named(facts: Facts) -> str:
    return " ".join(facts[key] for key in ("name", "release") if facts.get(key))


def _files(
    old: CardSnapshot, new: CardSnapshot, moved: Mapping[str, str], causes: Mapping[str, Sequence[str]]
) -> Iterator[Difference]:
    arrived = set(moved.values())
    for path, file in old.files.items():
        if path in moved:
            yield Difference(group="files", kind="moved", name=path, old=path, new=moved[path])
        elif path not in new.files:
            yield Difference(group="files", kind="removed", name=path, old=_what(file))
    for path, file in new.files.items():
        before = old.files.get(path)
        if before is None:
            if path not in arrived:
                yield Difference(group="files", kind="added", name=path, new=_what(file))
        elif (before.is_folder, before.size, before.sha256) != (file.is_folder, file.size, file.sha256):
            because = _because(before, file, tuple(causes.get(path, ())))
            yield Difference(
                group="files", kind="changed", name=path, old=_what(before), new=_what(file), because=because
            )
        elif before.origin and file.origin and before.origin != file.origin:
            because = causes_of(before.origin, file.origin)
            yield Difference(group="files", kind="changed", name=f"{path}: {SAME_BYTES}", because=because)


def _because(old: File, new: File, seen: tuple[str, ...]) -> tuple[str, ...]:
    """Return why a file changed: what its text shows says more than the steps that changed it."""
    is_text = new.origin.get("kind") in ("config", "menu") and seen
    return seen if is_text else (*causes_of(old.origin, new.origin), *seen)


def _what(file: File) -> str:
    return "folder" if file.is_folder else show_size(file.size)


def _order(old: CardSnapshot, new: CardSnapshot, moved: Mapping[str, str]) -> Iterator[Difference]:
    """Yield the first file of the card where it is another one, and each folder whose entries stand in another order.

    Files are held against files and folders against folders, since a record lists them apart.
    """
    if all(file.extents is not None for side in (old, new) for file in side.files.values()):
        first, then = _first(old), _first(new)
        if moved.get(first, first) != then:
            yield Difference(
                group="placement", kind="changed", name="first file", old=first or "none", new=then or "none"
            )
        before, after = _children(old), _children(new)
        for key in sorted(before.keys() & after.keys()):
            common = set(before[key]) & set(after[key])
            order_before, order_after = ([name for name in names[key] if name in common] for names in (before, after))
            if order_before != order_after:
                at = next(
                    number
                    for number, names in enumerate(zip(order_before, order_after, strict=True))
                    if names[0] != names[1]
                )
                kind = "folders" if key[1] else "files"
                where = f'"{key[0]}"' if key[0] else "the root directory"
                name = f"order of {kind} in {where}, from place {at + 1} on"
                yield Difference(
                    group="placement", kind="changed", name=name, old=order_before[at], new=order_after[at]
                )


def _first(side: CardSnapshot) -> str:
    return next((path for path, file in side.files.items() if not file.is_folder and "/" not in path), "")


def _children(side: CardSnapshot) -> dict[tuple[str, bool], list[str]]:
    found: dict[tuple[str, bool], list[str]] = {}
    for path, file in side.files.items():
        found.setdefault((path.rpartition("/")[0], file.is_folder), []).append(path)
    return found


def _placement(pairs: Sequence[tuple[File, File]]) -> Iterator[Difference]:
    """Yield what lies elsewhere; all that went the same number of clusters on is one difference."""
    shifted: dict[int, list[str]] = {}
    for old, new in pairs:
        if old.placement and new.placement and old.placement != new.placement:
            yield Difference(group="placement", kind="changed", name=new.path, old=old.placement, new=new.placement)
        if (
            old.extents is None
            or new.extents is None
            or old.extents == new.extents
            or not (old.extents and new.extents)
        ):
            continue
        one_piece = len(old.extents) == len(new.extents) == 1
        if one_piece and old.extents[0][1] == new.extents[0][1]:
            shifted.setdefault(new.extents[0][0] - old.extents[0][0], []).append(new.path)
        elif old.extents[0][0] != new.extents[0][0] or not one_piece:
            old_words, new_words = extents_words(old.extents), extents_words(new.extents)
            yield Difference(group="placement", kind="changed", name=new.path, old=old_words, new=new_words)
    ends = {new.path: (old.extents, new.extents) for old, new in pairs}
    for shift, paths in shifted.items():
        before, after = ends[paths[0]]
        change = Difference(
            group="placement", kind="changed", name=paths[0],
            old=extents_words(before or ()), new=extents_words(after or ()),
        )  # fmt: skip
        yield replace(change, paths=tuple(paths), because=(f"{shift:+,} clusters",)) if len(paths) > 1 else change


def _entries(pairs: Sequence[tuple[File, File]]) -> Iterator[Difference]:
    """Yield short names, attributes and times that differ; files with the same difference are one."""
    grouped: dict[tuple[str, str], list[str]] = {}
    for old, new in pairs:
        if old.short and new.short and old.short != new.short and old.path == new.path:
            yield Difference(
                group="entries", kind="changed", name=f"short name of {new.path}", old=old.short, new=new.short
            )
        if old.attributes is not None and new.attributes is not None and old.attributes != new.attributes:
            attributes = attributes_words(old.attributes), attributes_words(new.attributes)
            yield Difference(
                group="entries", kind="changed", name=f"attributes of {new.path}", old=attributes[0], new=attributes[1]
            )
        if old.times and new.times and old.times != new.times:
            grouped.setdefault(times_words(old.times, new.times), []).append(new.path)
    for (before, after), paths in grouped.items():
        more = tuple(paths) if len(paths) > 1 else ()
        yield Difference(
            group="entries", kind="changed", name=f"times of {paths[0]}", old=before, new=after, paths=more
        )
