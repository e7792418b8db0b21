"""Stage ``check``: everything that can be said about the manifests without the sources."""

from __future__ import annotations

from pipeline.errors import CardkilnError, ManifestError, Problem
from pipeline.roms.assemble import check_title
from pipeline.stages import card
from pipeline.stages.project import Project
from pipeline.stages.search import found
from pipeline.stages.words import counted


def run(project: Project) -> str:
    """Check all manifests and what every card comes to; raises ManifestError with all problems at once."""
    manifest = project.manifest
    problems: list[Problem] = []
    for title in manifest.titles.values():
        problems += check_title(title)
    if not problems:
        for card_id in manifest.cards:
            problems += _card_problems(project, card_id)
    if problems:
        raise ManifestError(problems)
    kinds = [
        counted(len(manifest.boards), "board"),
        counted(len(manifest.cores), "core"),
        counted(len(manifest.titles), "title"),
        counted(len(manifest.cards), "card"),
    ]
    return f"{', '.join(kinds)}: no problems"


def _card_problems(project: Project, card_id: str) -> tuple[Problem, ...]:
    try:
        card.planned(project, card_id, lambda: found(project))
    except card.UnknownSizeError:
        return ()  # the search lists everything that is missing, these among it
    except CardkilnError as error:
        return error.problems
    return ()
