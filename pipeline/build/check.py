"""Stage ``check``: everything that can be said about the manifests without the sources."""

from __future__ import annotations

from pipeline.build import image, plan
from pipeline.build.build import Build
from pipeline.build.card import CardBuild, UnknownSizeError
from pipeline.build.rules import judged
from pipeline.errors import CardkilnError, ManifestError, Problem
from pipeline.manifest.schema.copies import outdated
from pipeline.model.text import counted


def run(build: Build) -> str:
    """Check all manifests and what every card comes to; raises ManifestError with all problems at once.

    Warnings are left with the workspace, which shows them once.
    """
    manifest = build.inputs.manifest
    problems = [*build.inputs.title_problems]
    warnings: set[Problem] = set()
    for card_id in () if problems else manifest.cards:
        try:
            card = build.card(card_id)
            _ = card.plan
        except UnknownSizeError:
            continue  # the search lists everything that is missing, these among it
        except CardkilnError as error:
            problems += error.problems
            continue
        warnings.update(card.judgement.warnings)
        warnings.update(judged(card.card, _of_the_image(card)).warnings)
    if problems:
        raise ManifestError(problems)
    schemas = build.workspace.inputs.parent / "schemas"
    build.workspace.warn([*warnings, *outdated(schemas, build.workspace.shown(schemas))])
    kinds = [
        counted(len(manifest.boards), "board"),
        counted(len(manifest.cores), "core"),
        counted(len(manifest.titles), "title"),
        counted(len(manifest.cards), "card"),
    ]
    result = f"no errors, {counted(len(warnings), 'warning')}" if warnings else "no problems"
    return f"{', '.join(kinds)}: {result}"


def _of_the_image(card: CardBuild) -> tuple[Problem, ...]:
    """Return what was found when the card's image was written; nothing when it is to be written again and says so."""
    known = image.proven(card)
    findings = known.findings if known else ()
    return findings if findings and not (plan.reason(card) or image.reason(card)) else ()
