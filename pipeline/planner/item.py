"""What is divided over cards, and what a card can take: the values the planner decides over."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from pipeline.fat.entries import MOST_SLOTS

SLOT = 32
"""Bytes of a directory slot (Microsoft FAT32 File System Specification 1.03, 2000)."""

Entry = tuple[str, str, int]
"""A directory entry in a folder that items share: folded path of the folder ("" for the root), folded name, slots."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PackingItem:
    """A core with its titles, which stay together.

    ``types``: FAT types (12, 16, 32) it can lie on. ``settings``: (board setting, choice). ``first``: path of the file
    that asks to be the first of the card, or "". ``paths``: folded paths of its files. ``folders``: likewise those they
    lie in. ``clusters``: by FAT type, of its files and of the folders nobody else puts anything into. ``entries``: in
    all other folders.
    """

    id: str
    kind: str
    types: frozenset[int]
    clusters: Mapping[int, int]
    settings: tuple[tuple[str, str], ...] = ()
    first: str = ""
    paths: frozenset[str] = frozenset()
    folders: frozenset[str] = frozenset()
    entries: tuple[Entry, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Room:
    """What a card of one FAT type has.

    ``clusters`` of ``cluster_bytes``; ``taken`` of them by the board's own files. ``root_slots``: of the root
    directory, 0 where it is a chain of clusters.
    """

    fat_bits: int
    clusters: int
    cluster_bytes: int
    taken: int
    root_slots: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """What holds for every card.

    ``rooms``: in the order in which they are preferred. ``entries``: of the board's own files.
    ``core_slots``: cores a card may hold, 0 for any number. ``folder_slots``: slots of a folder.
    """

    rooms: tuple[Room, ...]
    core_slots: int = 0
    folder_slots: int = MOST_SLOTS
    entries: tuple[Entry, ...] = ()
