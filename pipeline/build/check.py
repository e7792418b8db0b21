"""Stage ``check``: everything that can be said about the manifests without the sources."""

from __future__ import annotations

from pipeline.build import card, image, plan
from pipeline.build.rules import judged
from pipeline.build.search import found
from pipeline.errors import CardkilnError, ManifestError, Problem
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
            warnings.update(judged(worked.selection.card, _of_the_image(project, card_id)).warnings)
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


def _of_the_image(project: Project, card_id: str) -> tuple[Problem, ...]:
    """Return what was found when the card's image was written; nothing when it is to be written again and says so."""
    findings = image.findings_of(project, card_id)
    return findings if findings and not (plan.reason(project, card_id) or image.reason(project, card_id)) else ()
