"""Stage ``check``: everything that can be said about the manifests without the sources."""

from __future__ import annotations

from collections.abc import Iterator

from pipeline.build import image, plan
from pipeline.build.bitstream_checks import check_bitstreams
from pipeline.build.build import Build
from pipeline.build.card import CardBuild, UnknownSizeError
from pipeline.build.rules import judged
from pipeline.errors import CardkilnError, ChangedError, CheckError, ManifestError, Place, Problem
from pipeline.manifest.schema.copies import outdated
from pipeline.manifest.sound import Key
from pipeline.model.text import counted


def run(build: Build) -> str:
    """Check all manifests and what every card comes to; raises ManifestError with all problems at once.

    Where every problem is of another kind, such as a source that changes meanwhile, an error of that kind is raised.
    Where something of what is asked for can be built nevertheless, the error is left with the build. Problems of what
    is not asked for, and warnings, are left with the workspace, which shows them once.
    """
    inputs, manifest = build.inputs, build.inputs.manifest
    problems = {*inputs.problems} if inputs.goes_on else {*inputs.title_problems}
    kinds: set[type[CardkilnError]] = {ManifestError} if problems else set()
    warnings: set[Problem] = set()
    unsound = {key: {*found} for key, found in inputs.unsound.items()}
    for card_id in () if problems and not inputs.goes_on else manifest.cards:
        try:
            card = build.card(card_id)
            _ = card.plan
        except UnknownSizeError:
            continue  # the search lists everything that is missing, these among it
        except CardkilnError as error:
            unsound["card", card_id] = {*error.problems}
            problems |= unsound["card", card_id]
            kinds.add(type(error))
            continue
        warnings.update(card.judgement.warnings)
        warnings.update(_of_the_bitstreams(card))
    warnings.update(_unused_layouts(build))
    asked = _asked(build)
    own = {problem for key in asked for problem in unsound.get(key, ())}
    concerning = problems if not build.asked or "check" in build.asked else own
    if concerning:
        build.failure = (kinds.pop() if len(kinds) == 1 else ManifestError)(concerning)
        if not (inputs.goes_on and any(key not in unsound for key in asked)):
            raise build.failure
    elsewhere = problems - concerning
    schemas = build.workspace.inputs.parent / "schemas"
    build.workspace.warn([*warnings, *elsewhere, *outdated(schemas, build.workspace.shown(schemas))])
    counts = [
        counted(len(manifest.boards), "board"),
        counted(len(manifest.cores), "core"),
        counted(len(manifest.titles), "title"),
        counted(len(manifest.cards), "card"),
    ]
    result = f"no errors, {counted(len(warnings), 'warning')}" if warnings else "no problems"
    if elsewhere:
        result = f"{result} with what is asked for, {counted(len(elsewhere), 'problem')} elsewhere"
    if concerning:
        result = f"{counted(len(concerning), 'problem')}; the rest is built"
    workspace = build.workspace
    usual = workspace.inputs == workspace.base / "inputs"
    return f"{', '.join(counts)}: {result}" + ("" if usual else f" in {workspace.shown(workspace.inputs)}")


def _unused_layouts(build: Build) -> Iterator[Problem]:
    """Yield a warning for each layout that no title has, where it is known what titles have."""
    if any(kind == "title" for kind, _ in build.inputs.unsound):
        return
    manifest = build.inputs.manifest
    used = {(title.core, title.layout) for title in manifest.titles.values()}
    for core in manifest.cores.values():
        for name in core.layouts:
            if (core.id, name) not in used:
                hint = f'write layout = "{name}" in a title of this core, or take the layout out'
                yield Problem(Place(core.file, key=f"layouts.{name}"), "no title has this layout", hint)


def _asked(build: Build) -> set[Key]:
    """Return the titles and cards that the tasks asked for build, whatever is wrong with them."""
    asked = set[Key]()
    for task in build.asked:
        stage, _, name = task.partition(":")
        if stage != "check":
            kind = "title" if stage == "rom" else "card"
            asked |= {(kind, known) for known in build.workspace.names(f"{kind}s") if name in ("", known)}
    return asked


def _of_the_bitstreams(card: CardBuild) -> tuple[Problem, ...]:
    """Return what was found when the card's image was written, or of its bitstreams at hand where it is out of date.

    At hand is what is below the inputs, and what a search has found and is still there. A wrong bitstream stops its own
    card when the image is written, and no other card here.
    """
    known = image.proven(card)
    if known and not (plan.reason(card) or image.reason(card)):
        return judged(card.selection, known.findings).warnings
    searched = card.workspace.index.remembered(core.bitstream for core in card.selection.cores)
    try:
        check_bitstreams(card.selection, {**searched, **card.local})
    except ChangedError:  # the next search tells where it is now
        return ()
    except CheckError as error:
        return tuple(error.problems)
    return ()  # what is only a warning is told when the image is written
