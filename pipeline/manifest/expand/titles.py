"""Which titles take over what from which others, and the titles that come of it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from pipeline.errors import Place, Problem
from pipeline.manifest.checks.self_checks import chip_problems
from pipeline.manifest.decode.decode import file_name, title
from pipeline.manifest.decode.rom_files import changes
from pipeline.manifest.expand.written_out import Stated, StatedLayout, WrittenOut, written_out
from pipeline.manifest.parse_manifest import naming
from pipeline.manifest.text.parsed import ParsedManifest
from pipeline.model.manifest import Core, Socket, place_of
from pipeline.model.text import did_you_mean, quote

LONGEST = 2
"""Steps from a title by ``like`` to the one that is like none."""

MOST = 2_000_000
"""Values in all titles that were written out: a few lines of many titles can stand for a large layout each."""

Key = tuple[str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class TitleResult:
    """What came of one title; ``needs``: the manifests for whose sake nothing did."""

    manifest: ParsedManifest
    needs: tuple[Key, ...] = ()


class Titles:
    """Titles as they were read by themselves, and the cores they may run on."""

    def __init__(self, examined: Iterable[ParsedManifest]) -> None:
        examined = list(examined)
        self._cores = {manifest.id: manifest for manifest in examined if manifest.kind == "core"}
        self._titles = {manifest.id: manifest for manifest in examined if manifest.kind == "title"}
        self._results: dict[str, TitleResult] = {}
        self._layouts: dict[Key, StatedLayout] = {}
        self._values = 0
        self._beyond = ""

    def result(self, id_: str) -> TitleResult:
        """Return what comes of a title: itself, where it takes nothing over."""
        if id_ not in self._results:
            manifest = self._titles[id_]
            waits = manifest.data is not None and manifest.value is None and not manifest.problems
            self._results[id_] = self._of(manifest) if waits else TitleResult(manifest=manifest)
        return self._results[id_]

    def _of(self, manifest: ParsedManifest) -> TitleResult:
        chain, problem, needs = self._chain(manifest)
        if problem or needs:
            return _failed(manifest, [problem] if problem else [], needs)
        stated = [_stated(part) for part in chain]
        problem = _other_core(stated)
        if problem:
            return _failed(manifest, [problem])
        core = self._cores.get(str(stated[0].data["core"]))
        layout: StatedLayout | None = None
        naming = [part for part in stated if "layout" in part.data]
        if naming and (core is None or not isinstance(core.value, Core)):
            return _failed(manifest, needs=[("core", core.id)] if core else [])
        if naming and core:
            layout = self._layout(naming[-1].data["layout"], core)
            if layout is None:
                return _failed(manifest, [_no_layout(naming[-1], core)])
        if self._beyond:
            return _failed(manifest, needs=[("title", self._beyond)])
        full = written_out(stated, layout)
        self._values += _count(full.data)
        if self._values > MOST:
            self._beyond = manifest.id
            what = f"found more than {MOST:,} values up to here in titles with all that they take over, expected fewer"
            place = Place(manifest.file, key="like" if len(stated) > 1 else "layout")
            return _failed(manifest, [Problem(place, what, "split the titles over several folders of inputs")])
        problems = full.problems or tuple(_chip_problems(full, manifest.file))
        return (
            _failed(manifest, problems) if problems else TitleResult(manifest=_finished(manifest, full, layout, core))
        )

    def _layout(self, name: str, core: ParsedManifest) -> StatedLayout | None:
        """Return a layout of a core, the same value for all titles that have it; None where there is none."""
        if (core.id, name) not in self._layouts and name in (core.data or {}).get("layouts", {}):
            data = (core.data or {})["layouts"][name]
            self._layouts[core.id, name] = StatedLayout(name=name, core=core.id, file=core.file, data=data)
        return self._layouts.get((core.id, name))

    def _chain(self, manifest: ParsedManifest) -> tuple[list[ParsedManifest], Problem | None, list[Key]]:
        """Return the titles from the furthest that this one is like to itself; what is wrong; what else it waits for.

        That no title has an id is said by the references.
        """
        chain = [manifest]
        while like := (chain[0].data or {}).get("like"):
            if like == manifest.id:
                return chain, _circle(chain), []
            if like not in self._titles or like in [part.id for part in chain]:
                return chain, None, [("title", chain[0].id)]
            if len(chain) > LONGEST:
                return chain, _too_long(chain, like), []
            base = self._titles[like]
            if base.data is None or base.problems:
                return chain, None, [("title", like)]
            chain.insert(0, base)
        waits = [("title", part.id) for part in chain[:-1] if self.result(part.id).manifest.value is None]
        return chain, None, waits


def _count(value: Any) -> int:
    """Return how many values a TOML value holds, itself included."""
    inner = value.values() if isinstance(value, Mapping) else value if isinstance(value, list) else ()
    return 1 + sum(map(_count, inner))


def _failed(manifest: ParsedManifest, problems: Sequence[Problem] = (), needs: Sequence[Key] = ()) -> TitleResult:
    return TitleResult(manifest=replace(manifest, problems=tuple(problems)), needs=tuple(needs))


def _stated(manifest: ParsedManifest) -> Stated:
    data = manifest.data or {}
    return Stated(id=manifest.id, file=manifest.file, name=file_name(manifest.id, data), data=data)


def _circle(chain: Sequence[ParsedManifest]) -> Problem:
    ids = ", ".join([part.id for part in reversed(chain)] + [chain[-1].id])
    what = "is like itself" if len(chain) == 1 else f"is like itself in the end: {ids}"
    also = tuple(Place(part.file, key="like") for part in chain[:-1])
    return Problem(Place(chain[-1].file, key="like"), what, "take like out of one of them, and state what it has", also)


def _too_long(chain: Sequence[ParsedManifest], further: str) -> Problem:
    ids = ", ".join([*(part.id for part in reversed(chain)), further])
    what = f"is {LONGEST + 1} steps from a title that is like none: {ids}; expected {LONGEST} at most"
    also = tuple(Place(part.file, key="like") for part in chain[:-1])
    return Problem(Place(chain[-1].file, key="like"), what, f'write like = "{chain[0].id}", or "{further}"', also)


def _other_core(chain: Sequence[Stated]) -> Problem | None:
    title, core = chain[-1], chain[0].data["core"]
    if title.data.get("core", core) == core:
        return None
    what = f'found "{title.data["core"]}"; title "{title.data["like"]}", which it is like, runs on "{core}"'
    hint = "take core out here, or declare it as a title of its own, without like"
    return Problem(title.place("core"), what, hint, (chain[0].place("core"),))


def _no_layout(title: Stated, core: ParsedManifest) -> Problem:
    name, known = title.data["layout"], (core.data or {}).get("layouts", {})
    what = f'found {quote(name)}, expected a layout of core "{core.id}"'
    some = f"its layouts are {', '.join(known)}" if known else f"it has none; declare it there as [layouts.{name}]"
    also = (Place(core.file, key="layouts" if known else ""),)
    return Problem(title.place("layout"), what, did_you_mean(name, known, some), also)


def _chip_problems(full: WrittenOut, file: str) -> Iterator[Problem]:
    for problem in chip_problems(full.data, file):
        yield replace(problem, place=place_of(problem.place.key, full.places, file))


def _finished(
    manifest: ParsedManifest, full: WrittenOut, layout: StatedLayout | None, core: ParsedManifest | None
) -> ParsedManifest:
    """Return the title decoded, with what others ask of its values."""
    value = replace(
        title(manifest.id, manifest.file, full.data),
        layout=layout.name if layout else "",
        sockets=_sockets(full, layout, core),
        like=str((manifest.data or {}).get("like", "")),
        places=full.places,
    )
    return replace(manifest, value=value, data=naming({**(manifest.data or {}), "core": value.core}))


def _sockets(full: WrittenOut, layout: StatedLayout | None, core: ParsedManifest | None) -> Mapping[str, Socket]:
    """Return the sockets of the layout, wired as the title says."""
    if layout is None or core is None or not isinstance(core.value, Core):
        return {}
    sockets = core.value.layouts[layout.name].sockets
    own = {name: changes(table) for name, table in full.sockets.items() if "then" in table}
    return {**sockets, **{name: replace(sockets[name], then=then) for name, then in own.items()}} if own else sockets
