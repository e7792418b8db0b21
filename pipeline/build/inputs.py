"""What a build is made from: manifests, the user's own files, and the search of the sources."""

from __future__ import annotations

import os
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Self, TypeVar

from pipeline.errors import ManifestError, Place, Problem
from pipeline.fat.names import fold
from pipeline.manifest.load import load, load_sound
from pipeline.manifest.sound import Key, with_further
from pipeline.model.content import CardFile, CardFolder, Content, Found, Location, Origin, Wanted
from pipeline.model.manifest import Card, Core, Manifest, SumList, Title
from pipeline.workspace.workspace import Workspace

if TYPE_CHECKING:  # many a command needs the manifest alone
    from pipeline.build.recipe import Recipe
    from pipeline.card.select import Selection
    from pipeline.sources.search.matcher import Taker

Item = TypeVar("Item")
Output = tuple[str, str]
"""What contents go into: ("rom", title id) or ("card", card id)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Copied:
    """A card's selection and the files that are copied onto it, as its manifests declare them.

    Sizes declared nowhere are None; ROM files that declare no SHA-256 have ``recipe.UNBUILT``. ``folders``: those that
    are on the card even where they are empty. ``local``: where contents below the inputs lie, by SHA-256.
    """

    selection: Selection
    files: tuple[CardFile, ...]
    folders: tuple[CardFolder, ...]
    local: dict[str, Location]


@dataclass(frozen=True, slots=True)
class _EachTime(Iterable[Item]):
    """What is yielded anew each time it is gone through, and never kept."""

    yielded: Callable[[], Iterator[Item]]

    def __iter__(self) -> Iterator[Item]:
        return self.yielded()


class Inputs:
    """One set of inputs, each part read once and only when it is needed.

    ``epoch``: the SOURCE_DATE_EPOCH that cards without a timestamp of their own take, None for none. ``unsound``: what
    is wrong with cards and titles that are left out of the manifest, by kind and id; ``problems``: all of it.
    ``values``: the digest of all that the manifests say, "" where that was not asked for.
    ``goes_on``: whether cards that come to nothing are passed over. ``taker``: is given what a search reads.
    ``processes``: how many are used at most, 0 for as many as there are processors.
    """

    def __init__(self, workspace: Workspace, *, manifest: Manifest | None = None, epoch: str | None = None) -> None:
        self.workspace = workspace
        self.epoch = epoch
        self.unsound: Mapping[Key, tuple[Problem, ...]] = {}
        self.problems: tuple[Problem, ...] = ()
        self.values = ""
        self.goes_on = False
        self.taker: Taker | None = None
        self.processes = 0
        self._given = manifest
        self._empty_folders: dict[str, tuple[str, ...]] = {}
        self._contents: dict[str, tuple[tuple[str, Location, Content], ...]] = {}
        self._copied: dict[str, Copied] = {}

    @classmethod
    def of(cls, workspace: Workspace) -> Self:
        """Return the inputs of a workspace, with the SOURCE_DATE_EPOCH of the environment."""
        return cls(workspace, epoch=os.environ.get("SOURCE_DATE_EPOCH"))

    @classmethod
    def sound(cls, workspace: Workspace) -> Self:
        """Return what of the inputs of a workspace can be built; where that is nothing, ``manifest`` raises."""
        from pipeline.roms.assemble import check_title

        inputs = cls.of(workspace)
        inputs.goes_on = True
        try:
            sound = with_further(load_sound(workspace.inputs, workspace.base), check_title)
        except ManifestError as error:
            inputs._loaded = error
            return inputs
        inputs._given, inputs.unsound, inputs.problems = sound.manifest, sound.unsound, sound.problems
        inputs.values = sound.values
        return inputs

    def card(self, card_id: str) -> Card:
        """Return a card; raises ManifestError with what is wrong with it and with what it names."""
        self._refuse_unsound("card", card_id)
        return self.manifest.cards[card_id]

    def title(self, title_id: str) -> Title:
        """Return a title; raises ManifestError with what is wrong with it and with its core."""
        self._refuse_unsound("title", title_id)
        return self.manifest.titles[title_id]

    def _refuse_unsound(self, kind: str, id_: str) -> None:
        if (kind, id_) in self.unsound:
            raise ManifestError(self.unsound[kind, id_])

    def with_cards(self, cards: Iterable[Card]) -> Self:
        """Return the same inputs with other cards in place of those that the manifests declare."""
        manifest = replace(self.manifest, cards={card.id: card for card in cards})
        inputs = type(self)(self.workspace, manifest=manifest, epoch=self.epoch)
        inputs._contents, inputs._empty_folders = self._contents, self._empty_folders
        return inputs

    def without_kept(self, card_id: str, build: Path) -> Self:
        """Return the same inputs for one card alone, built into another folder without the files kept for it.

        Its pinned SHA-256 is that of the card with them, and is not asked for.
        """
        card = self.manifest.cards[card_id]
        bare = replace(card, keep=(), without_kept=card.keep, image_sha256="")
        manifest = replace(self.manifest, cards={card_id: bare})
        return type(self)(self.workspace.building_in(build), manifest=manifest, epoch=self.epoch)

    def unpinned(self) -> Self:
        """Return the same inputs, in which no card says which SHA-256 its image must have."""
        return self.with_cards(replace(card, image_sha256="") for card in self.manifest.cards.values())

    def keep_of(self, card_id: str) -> tuple[str, ...]:
        """Return what is the user's on a card, nothing for one no manifest names, or while the manifests are wrong."""
        try:
            card = self.manifest.cards.get(card_id)
        except ManifestError:
            return ()
        return card.keep if card else ()

    def unpinned_title(self, title_id: str) -> Self:
        """Return the same inputs, in which one title's ROM files say nothing of their SHA-256."""
        title = self.manifest.titles[title_id]
        bare = replace(title, roms=tuple(replace(rom, sha256="") for rom in title.roms))
        manifest = replace(self.manifest, titles={**self.manifest.titles, title_id: bare})
        return type(self)(self.workspace, manifest=manifest, epoch=self.epoch)

    @property
    def manifest(self) -> Manifest:
        """Everything the manifests say; raises ManifestError with all that is wrong with them."""
        if isinstance(self._loaded, ManifestError):
            raise self._loaded
        return self._loaded

    @cached_property
    def _loaded(self) -> Manifest | ManifestError:
        if self._given is not None:
            return self._given
        try:
            return load(self.workspace.inputs, self.workspace.base)
        except ManifestError as error:
            return error

    @cached_property
    def title_problems(self) -> tuple[Problem, ...]:
        """What is wrong with the steps of the titles' ROM files."""
        from pipeline.roms.assemble import check_title

        return tuple(problem for title in self.manifest.titles.values() for problem in check_title(title))

    def recipe(self, title: Title) -> Recipe:
        """Return what a title's ROM files are made from."""
        from pipeline.build.recipe import Recipe

        return Recipe(title)

    def empty_folders(self, path: str) -> tuple[str, ...]:
        """Return the folders below ``path`` that hold no file, as ``FileTree`` has them; read with its contents."""
        self.tree_contents(path)
        return self._empty_folders[path]

    def trees_read(self) -> tuple[str, ...]:
        """Return the paths below the inputs whose files were listed so far."""
        return tuple(self._contents)

    def tree_contents(self, path: str) -> tuple[tuple[str, Location, Content], ...]:
        """Return the files of a folder or archive below the inputs, or a single file under the name "".

        Each with where it lies and what it holds.
        """
        from pipeline.sources.files.listing import FileTree, list_tree

        if path not in self._contents:
            full = self.workspace.inputs / path
            single = full.is_file() and full.suffix.lower() != ".zip"
            limits = self.manifest.sources.limits
            tree = FileTree({"": Location(path=str(full))}) if single else list_tree(full, limits)
            contents = self.workspace.index.contents_at([*tree.files.values()])
            self._contents[path] = tuple(zip(tree.files, tree.files.values(), contents, strict=True))
            self._empty_folders[path] = tree.empty_folders
        return self._contents[path]

    def sum_lines(self, sums: SumList) -> tuple[tuple[str, str], ...]:
        """Return the (SHA-256, path) lines of a checksum list."""
        from pipeline.manifest.checks.sums import parse_sums

        path = self.workspace.inputs / sums.list_path
        return parse_sums(path.read_text(encoding="utf-8"), self.workspace.shown(path))

    def cards_worked_out(self) -> Iterator[Card]:
        """Yield the cards, without those that come to nothing where the rest is to be built beside them."""
        for card in self.manifest.cards.values():
            try:
                self.copied(card)
            except ManifestError:
                if not self.goes_on:
                    raise
            else:
                yield card

    def copied(self, card: Card) -> Copied:
        """Return the files that are copied onto a card; raises ManifestError when it comes to nothing."""
        if card.id not in self._copied:
            self._copied[card.id] = self._copied_now(card)
        return self._copied[card.id]

    def _copied_now(self, card: Card) -> Copied:
        from pipeline.build.recipe import UNBUILT
        from pipeline.card.contents import Known, gather, gather_folders
        from pipeline.card.select import select

        selection = select(self.manifest, card)
        holders: tuple[Card | Core, ...] = (selection.card, *selection.cores)
        own = [file for holder in (*holders, *selection.titles) for file in holder.files]
        paths = [*selection.board.base, *(file.source_path for file in own if file.source_path)]
        kept = f"kept/{card.id}" if card.keep and self.workspace.kept_folder(card.id).is_dir() else ""
        contents = {path: self.tree_contents(path) for path in dict.fromkeys([*paths, *([kept] if kept else [])])}
        trees = {path: tuple((name, content) for name, _, content in files) for path, files in contents.items()}
        known = Known(
            trees=trees,
            sums={sums.list_path: self.sum_lines(sums) for holder in holders for sums in holder.sums},
            sizes={},
            empty_folders={path: self.empty_folders(path) for path in contents if path != kept},
            roms={
                (title.id, rom.path): Content(sha256=rom.sha256 or UNBUILT, size=rom.size)
                for title in selection.titles
                for rom in title.roms
            },
        )
        files = _with_kept(gather(selection, known), _kept(card, trees[kept]) if kept else ())
        local = {content.sha256: location for tree in contents.values() for _, location, content in tree}
        return Copied(selection=selection, files=files, folders=gather_folders(selection, known), local=local)

    @cached_property
    def search(self) -> Found:
        """Where everything that is wanted lies; archives that cannot be used are told as warnings."""
        from pipeline.memory import freed_memory_kept
        from pipeline.workspace.progress import counting

        sources = self.manifest.sources
        index = self.workspace.index
        places = [Path(place) for place in sources.places]
        with counting("searching the sources", "files") as advance:
            scan = index.scan(places, sources.limits, advance, without=[self.workspace.build])
        self.workspace.warn(scan.problems)
        wanted = _EachTime(lambda: (wanted for _, together in self.wanted() for wanted in together))
        with counting("hashing source files", "B") as advance, freed_memory_kept():
            return index.find(wanted, advance, self.taker, self.processes)

    def forget_chips_of(self, titles: Collection[str]) -> None:
        """Forget where chips and patches lie that only titles need whose ROM files are built: there may be many."""
        outside = [file.content for card in self.cards_worked_out() for file in self._outside(card)]
        others = (title for title in self.manifest.titles.values() if title.roms and title.id not in titles)
        chips = (content for title in others for content in self.recipe(title).used.values())
        needed = {content.sha256 for content in (*outside, *chips)}
        found = self.search
        self.search = replace(
            found,
            locations={sha256: location for sha256 in needed if (location := found.locations.get(sha256))},
            contents={sha256: content for sha256 in needed if (content := found.contents.get(sha256))},
        )

    def wanted(self) -> Iterator[tuple[Output, list[Wanted]]]:
        """Yield what is wanted from the sources, by the output it goes into."""
        return ((output, self.wanted_for(output)) for output in self.outputs())

    def outputs(self) -> Iterator[Output]:
        """Yield what contents go into: all cards, and the ROM files of all titles."""
        yield from (("card", card.id) for card in self.cards_worked_out())
        yield from (("rom", title.id) for title in self.manifest.titles.values() if title.roms)

    def wanted_for(self, output: Output) -> list[Wanted]:
        """Return the chips and patches of a title's ROM files, or what a card wants beside those of its titles."""
        kind, name = output
        if kind == "card":
            return [*map(_wanted_file, self._outside(self.manifest.cards[name]))]
        return [*_wanted_chips(self.recipe(self.manifest.titles[name]))]

    def _outside(self, card: Card) -> Iterator[CardFile]:
        """Yield the files of a card that lie in the user's sources."""
        copied = self.copied(card)
        for file in copied.files:
            if file.origin.kind != "rom-file" and file.content.sha256 not in copied.local:
                yield file


def _wanted_file(file: CardFile) -> Wanted:
    return Wanted(
        content=file.content,
        name=f"{file.path} of {file.origin.owner}",
        place=file.place,
        file_names=(file.path.rpartition("/")[2],),
        owner=file.origin.owner,
    )


def _wanted_chips(recipe: Recipe) -> Iterator[Wanted]:
    from pipeline.roms.assemble import content_key

    title = recipe.title
    for name, content in recipe.used.items():
        yield Wanted(
            content=content,
            name=f"{recipe.role(name)} of {title.name}",
            place=title.place(content_key(title, name)),
            file_names=(name,),
            owner=title.id,
            chip=name if name in title.chips else "",
        )


def _kept(card: Card, tree: tuple[tuple[str, Content], ...]) -> tuple[CardFile, ...]:
    """Return the files that the user made on this card before."""
    return tuple(
        CardFile(
            path=name,
            content=content,
            placement="anywhere",
            origin=Origin(kind="card-file", owner=card.id),
            place=Place(card.file, key="keep"),
        )
        for name, content in tree
    )


def _with_kept(files: tuple[CardFile, ...], kept: tuple[CardFile, ...]) -> tuple[CardFile, ...]:
    """Return the files of a card; what the user made takes the place of what a manifest puts there."""
    theirs = {fold(file.path) for file in kept}
    return (*(file for file in files if fold(file.path) not in theirs), *kept)
