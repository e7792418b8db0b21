"""Stage ``check``: everything that can be said about the manifests without the sources."""

from __future__ import annotations

from pipeline.build import image, plan
from pipeline.build.bitstream_checks import check_bitstreams
from pipeline.build.build import Build
from pipeline.build.card import CardBuild, UnknownSizeError
from pipeline.build.rules import judged
from pipeline.errors import CardkilnError, ChangedError, CheckError, ManifestError, Problem
from pipeline.manifest.schema.copies import outdated
from pipeline.model.text import counted


def run(build: Build) -> str:
    """Check all manifests and what every card comes to; raises ManifestError with all problems at once.

    Where every problem is of another kind, such as a source that changes meanwhile, an error of that kind is raised.
    Warnings are left with the workspace, which shows them once.
    """
    manifest = build.inputs.manifest
    problems = [*build.inputs.title_problems]
    kinds: set[type[CardkilnError]] = {ManifestError} if problems else set()
    warnings: set[Problem] = set()
    for card_id in () if problems else manifest.cards:
        try:
            card = build.card(card_id)
            _ = card.plan
        except UnknownSizeError:
            continue  # the search lists everything that is missing, these among it
        except CardkilnError as error:
            problems += error.problems
            kinds.add(type(error))
            continue
        warnings.update(card.judgement.warnings)
        warnings.update(_of_the_bitstreams(card))
    if problems:
        raise (kinds.pop() if len(kinds) == 1 else ManifestError)(problems)
    schemas = build.workspace.inputs.parent / "schemas"
    build.workspace.warn([*warnings, *outdated(schemas, build.workspace.shown(schemas))])
    counts = [
        counted(len(manifest.boards), "board"),
        counted(len(manifest.cores), "core"),
        counted(len(manifest.titles), "title"),
        counted(len(manifest.cards), "card"),
    ]
    result = f"no errors, {counted(len(warnings), 'warning')}" if warnings else "no problems"
    workspace = build.workspace
    usual = workspace.inputs == workspace.base / "inputs"
    return f"{', '.join(counts)}: {result}" + ("" if usual else f" in {workspace.shown(workspace.inputs)}")


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
