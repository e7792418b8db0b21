"""Stage ``check``: everything that can be said about the manifests without the sources."""

from __future__ import annotations

from pipeline.build import card, image, plan
from pipeline.build.bitstream_checks import check_bitstreams
from pipeline.build.rules import judged
from pipeline.build.search import found
from pipeline.errors import CardkilnError, CheckError, ManifestError, Problem
from pipeline.manifest.schema.copies import outdated
from pipeline.model.text import counted
from pipeline.roms.assemble import check_title
from pipeline.workspace.project import Project


def run(project: Project) -> str:
    """Check all manifests and what every card comes to; raises ManifestError with all problems at once.

    What is only a warning is left with the project, which shows it once.
    """
    manifest = project.manifest
    problems: list[Problem] = []
    warnings: set[Problem] = set()
    for title in () if project.titles_checked else manifest.titles.values():
        problems += check_title(title)
    project.titles_checked = not problems
    if not problems:
        for card_id in manifest.cards:
            try:
                worked, _ = card.planned(project, card_id, lambda: found(project))
            except card.UnknownSizeError:
                continue  # the search lists everything that is missing, these among it
            except CardkilnError as error:
                problems += error.problems
                continue
            warnings.update(worked.judgement.warnings)
            warnings.update(_of_the_bitstreams(project, card_id, worked))
    if problems:
        raise ManifestError(problems)
    schemas = project.inputs.parent / "schemas"
    project.warnings += (*warnings, *outdated(schemas, project.shown(schemas)))
    kinds = [
        counted(len(manifest.boards), "board"),
        counted(len(manifest.cores), "core"),
        counted(len(manifest.titles), "title"),
        counted(len(manifest.cards), "card"),
    ]
    result = f"no errors, {counted(len(warnings), 'warning')}" if warnings else "no problems"
    return f"{', '.join(kinds)}: {result}"


def _of_the_bitstreams(project: Project, card_id: str, worked: card.Worked) -> tuple[Problem, ...]:
    """Return what was found when the card's image was written, or of its bitstreams at hand where it is out of date.

    At hand is what is below the inputs, and what a search has found and is still there. A wrong bitstream stops its own
    card when the image is written, and no other card here.
    """
    if not (plan.reason(project, card_id) or image.reason(project, card_id)):
        return judged(worked.selection.card, image.findings_of(project, card_id)).warnings
    searched = project.index.remembered(core.bitstream for core in worked.selection.cores)
    try:
        check_bitstreams(worked.selection, {**searched, **worked.local})
    except CheckError as error:
        return tuple(error.problems)
    return ()  # what is only a warning is told when the image is written
