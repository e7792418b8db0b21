"""What one run works out of its inputs: the ROM files of each title, and each card under construction."""

from __future__ import annotations

from pipeline.build.card import CardBuild
from pipeline.build.inputs import Inputs
from pipeline.build.rom import Hashes, TitleRoms
from pipeline.errors import CardkilnError
from pipeline.model.manifest import Title
from pipeline.workspace.workspace import Workspace


class Build:
    """One run over one set of inputs; titles and cards are made when they are first asked for, and kept.

    ``asked``: names of the tasks that are to be done ("image:desk"), none for those of all cards. ``failure``: what
    the check found wrong with what was asked for.
    """

    def __init__(self, inputs: Inputs) -> None:
        self.inputs = inputs
        self.asked: tuple[str, ...] = ()
        self.failure: CardkilnError | None = None
        self._titles: dict[str, TitleRoms] = {}
        self._cards: dict[str, tuple[CardBuild, list[Hashes | None]]] = {}

    def look_again(self) -> None:
        """Look at all ROM files once more, from the disk, the next time each is asked for."""
        for roms in self._titles.values():
            roms.look_again()

    @property
    def workspace(self) -> Workspace:
        """Where everything is built."""
        return self.inputs.workspace

    def title(self, title: Title) -> TitleRoms:
        """Return the ROM files of a title."""
        if title.id not in self._titles:
            self._titles[title.id] = TitleRoms(self.inputs, title)
        return self._titles[title.id]

    def card(self, card_id: str) -> CardBuild:
        """Return a card with the ROM files that are built now; another one when more of them are.

        Raises ManifestError when the manifests are wrong or the card comes to nothing.
        """
        titles = self.roms_of(card_id)
        built = [None if roms.reason() else roms.made for roms in titles]
        card, known = self._cards.get(card_id, (None, None))
        if card is None or known != built:
            contents = {
                (roms.title.id, roms.title.place(rom.key)): content
                for roms in titles
                for rom in roms.title.roms
                if not rom.sha256 and (content := roms.content(rom))
            }
            if card is None or card.rom_contents != contents:
                card = CardBuild(self.inputs, self.inputs.card(card_id), contents)
            self._cards[card_id] = card, built
        return card

    def roms_of(self, card_id: str) -> list[TitleRoms]:
        """Return the ROM files of a card's titles, those that have any."""
        titles = self.inputs.copied(self.inputs.card(card_id)).selection.titles
        return [self.title(title) for title in titles if title.roms]
