"""ROM files that are built while their chips are searched for, so that no chip is read twice."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from contextlib import suppress

from pipeline.build.rom import TitleRoms
from pipeline.errors import CardkilnError, Problem
from pipeline.model.content import Content
from pipeline.model.outcome import Outcome
from pipeline.sources.files.digest import Digest
from pipeline.store.store import Store

MOST = 32 << 20
"""Bytes of chips that are held until the last one of their title comes by."""

Build = Callable[[TitleRoms, dict[str, bytes]], Outcome]

Made = tuple[dict[str, Outcome], Problem | None]
"""What came of titles, by id, and what the store failed at in the process that made their ROM files."""


class InPassing:
    """Builds each title as soon as a search has read all its chips, where these fit into memory meanwhile.

    ``build``: builds one, puts it into the ``store``, if there is one, and returns what is to be said of it. A title
    that has a problem is left to its turn. ``receive``: is given what was made, where the search began.
    """

    def __init__(
        self, titles: Iterable[TitleRoms], build: Build, store: Store | None, receive: Callable[[Made], None]
    ) -> None:
        self._build, self._store, self.receive = build, store, receive
        self._held: dict[str, bytes] = {}
        self._size = 0
        self._lacking: dict[TitleRoms, int] = {}  # how many chips are still to come
        self._titles: dict[str, tuple[TitleRoms, ...]] = {}  # of each chip, by its SHA-256
        self._made: dict[str, Outcome] = {}
        for roms in titles:
            hashes, alone = {content.sha256 for content in roms.recipe.used.values()}, (roms,)
            self._lacking[roms] = len(hashes)
            for sha256 in hashes:
                self._titles[sha256] = (*others, roms) if (others := self._titles.get(sha256)) else alone

    def take(self, found: Digest, parts: list[bytes]) -> None:
        """Build the titles of which this was the last chip."""
        waiting = [] if found.sha256 in self._held else [*self._waiting(found.sha256)]
        if not waiting:
            return
        self._held[found.sha256] = parts[0] if len(parts) == 1 else b"".join(parts)
        self._size += found.size
        for roms in waiting:
            self._lacking[roms] -= 1
            if not self._lacking[roms]:
                self._finish(roms)
        while self._size > MOST:
            self._give_up(next(iter(self._held)))

    def made(self) -> Made:
        """Return what came of the titles that were built since this was last asked for."""
        made, self._made = self._made, {}
        return made, self._store.failure if self._store else None

    def _waiting(self, sha256: str) -> Iterator[TitleRoms]:
        """Yield the titles of a chip that are not built yet, nor left to their turn."""
        return (roms for roms in self._titles.get(sha256, ()) if roms in self._lacking)

    def _finish(self, roms: TitleRoms) -> None:
        used = roms.recipe.used
        del self._lacking[roms]
        with suppress(CardkilnError, OSError):  # told at its turn
            self._made[roms.title.id] = self._build(roms, {name: self._held[used[name].sha256] for name in used})
        self._drop(used.values())

    def _give_up(self, sha256: str) -> None:
        """Leave the titles that wait for more than this chip to their turn."""
        for roms in [*self._waiting(sha256)]:
            del self._lacking[roms]
            self._drop(roms.recipe.used.values())

    def _drop(self, contents: Iterable[Content]) -> None:
        """Let go of chips that no title waits for any more."""
        for content in contents:
            if content.sha256 in self._held and not any(self._waiting(content.sha256)):
                self._size -= len(self._held.pop(content.sha256))
