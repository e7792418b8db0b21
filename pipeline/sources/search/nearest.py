"""For a content that is missing, the source that is nearest to it, and how near in plain words."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence

from pipeline.model.content import Candidate, Wanted
from pipeline.model.text import counted
from pipeline.sources.files.entry import SourceEntry, fold
from pipeline.sources.search.matcher import Matcher

FEW = 3
"""Sources of the right size but another name are worth naming only when there are no more than these."""


def nearest(
    missing: Sequence[Wanted], sources: Callable[[], Iterable[SourceEntry]], matcher: Matcher
) -> list[Candidate | None]:
    """Return for each missing content the nearest source, None where none is near.

    Nearest first: the same SHA-256 (but another size than declared), the same CRC-32, the same name and size, the
    same name, the same size; a file's name counts with its extension and without. Among equals the preferred source is
    taken.
    """
    neighbours = _Neighbours(missing, sources() if missing else (), matcher)
    return [neighbours.candidate(want) for want in missing]


SLIP = 2
"""Digits of a SHA-256 that are typed wrong; hashes of other contents differ in about 60."""


class _Neighbours:
    """The sources that share CRC-32, name or size with something missing."""

    def __init__(self, missing: Sequence[Wanted], sources: Iterable[SourceEntry], matcher: Matcher) -> None:
        self._matcher = matcher
        self._by_check: dict[int, list[SourceEntry]] = {
            w.content.crc32: [] for w in missing if w.content.crc32 is not None
        }
        self._by_size: dict[int, list[SourceEntry]] = {
            w.content.size: [] for w in missing if w.content.size is not None
        }
        self._by_name: dict[str, list[SourceEntry]] = {fold(name): [] for w in missing for name in w.file_names}
        for source in sources:
            check = matcher.crc32_of(source)
            if check is not None and check in self._by_check:
                self._by_check[check].append(source)
            if source.size in self._by_size and not matcher.is_found(matcher.hash_of(source)):
                self._by_size[source.size].append(source)
            for name in source.names:
                if name in self._by_name:
                    self._by_name[name].append(source)

    def candidate(self, want: Wanted) -> Candidate | None:
        """Return the nearest source to a missing content and why it is near."""
        content, found = want.content, self._matcher.contents.get(want.content.sha256)
        if found:
            why = f"same SHA-256, but it has {found.size:,} bytes; {content.size:,} are declared"
            return Candidate(location=self._matcher.locations[found.sha256], why=why)
        slip = self._slip(want)
        if slip:
            return slip
        near = [source for name in want.file_names for source in self._by_name[fold(name)]]
        near += self._by_check[content.crc32] if content.crc32 is not None else []
        alike = self._by_size[content.size] if content.size is not None else []
        near += alike if len(alike) <= FEW else []
        if not near:
            return None
        best = min(near, key=lambda source: (self._distance(source, want), source.order))
        shared = " and ".join(self._shared(best, want))
        return Candidate(location=best.location, why=f"same {shared}, but {self._difference(best, want)}")

    def _slip(self, want: Wanted) -> Candidate | None:
        """Return the source of the right size whose SHA-256 is the declared one but for a digit or two."""
        for source in self._by_size.get(want.content.size or -1, ()):
            sha256 = self._matcher.hash_of(source)
            digits = sum(ours != theirs for ours, theirs in zip(sha256 or "", want.content.sha256, strict=False))
            if sha256 and digits <= SLIP:
                found = f"same size ({source.size:,} bytes), and its SHA-256 differs in {counted(digits, 'digit')}"
                return Candidate(location=source.location, why=f"{found}: {sha256}; correct the manifest")
        return None

    def _shared(self, source: SourceEntry, want: Wanted) -> list[str]:
        """Return what a source and a missing content have in common."""
        content, shared = want.content, list[str]()
        if content.crc32 is not None and content.crc32 == self._matcher.crc32_of(source):
            shared.append(f"CRC-32 ({content.crc32:08x})")
        if not {*source.names}.isdisjoint(map(fold, want.file_names)):
            shared.append("name")
        if source.size == content.size:
            shared.append(f"size ({source.size:,} bytes)")
        return shared

    def _distance(self, source: SourceEntry, want: Wanted) -> int:
        """Return how far a source is from a missing content, from 0 (the same CRC-32) to 3 (only the same size)."""
        shared = {text.partition(" ")[0] for text in self._shared(source, want)}
        kinds: tuple[set[str], ...] = ({"CRC-32"}, {"name", "size"}, {"name"}, {"size"})
        return next(number for number, kind in enumerate(kinds) if kind <= shared)

    def _difference(self, source: SourceEntry, want: Wanted) -> str:
        """Return why a near source is not the missing content."""
        content = want.content
        if self._matcher.failure(source):
            return self._matcher.failure(source)
        if content.size not in (None, source.size):
            return f"it has {source.size:,} bytes instead of {content.size:,}"
        if source.member is not None and source.crc32 is not None and content.crc32 not in (None, source.crc32):
            return f"its CRC-32 is {source.crc32:08x} instead of {content.crc32:08x}"
        return f"its SHA-256 is {self._matcher.hash_of(source)}"
