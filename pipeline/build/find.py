"""Where each wanted content is in the user's sources, and what is missing."""

from __future__ import annotations

from collections.abc import Collection, Iterable

from pipeline.build import image, plan
from pipeline.build.build import Build
from pipeline.build.inputs import Output
from pipeline.build.missing_hints import alternative_forms, found_as, nearest, signs, to_use
from pipeline.errors import CardkilnError, CheckError, Problem
from pipeline.model.content import Candidate, Found, Wanted
from pipeline.model.derived import Derived
from pipeline.model.rules import EVERY_CONTENT_IS_FOUND
from pipeline.model.text import counted
from pipeline.model.units import show_size


def complete(build: Build) -> Found:
    """Return the search, after making sure that it gave all that is needed; raises CheckError with all that is missing.

    Needed is what goes into an output that is asked for and out of date: what is built already stays good without its
    sources, and another card's missing dump does not concern this one.
    """
    lacking = MissingContents(build)
    if lacking.problems:
        raise CheckError(lacking.problems)
    return build.inputs.search


class MissingContents:
    """What is missing for the outputs that are asked for and must be made, looked for once."""

    def __init__(self, build: Build) -> None:
        self._build = build
        missing_now = build.inputs.search.missing
        asked = asked_outputs(build) if missing_now else ()
        self._candidates = candidates = {w.content.sha256: near for w, near in missing_now}
        lacks = {
            output: lacked
            for output, contents in (build.inputs.wanted() if missing_now else ())
            if output in asked
            if (lacked := [wanted for wanted in contents if wanted.content.sha256 in candidates])
            if _needs(build, output)
        }
        needed = {wanted.content.sha256: wanted for lacked in lacks.values() for wanted in reversed(lacked)}
        forms = alternative_forms(build.workspace, needed.values()).derived if needed else {}
        by_sha256 = {
            sha256: missing(build, wanted, candidates[sha256], forms.get(sha256)) for sha256, wanted in needed.items()
        }
        self.problems = tuple(by_sha256.values())
        self._told = False
        self._by_output = {
            output: tuple(by_sha256[wanted.content.sha256] for wanted in lacked) for output, lacked in lacks.items()
        }

    def check(self, output: Output) -> None:
        """Raise CheckError when an output lacks something: the first time with all that is missing for any of them.

        What was not due may be made all the same: each task is to be executed, or the store was lost meanwhile.
        """
        if output in self._by_output:
            problems = self._by_output[output] if self._told else self.problems
            self._told = True
            raise CheckError(problems)
        near = self._candidates
        wanted_now = self._build.inputs.wanted_for(output) if near else ()
        lacked = [wanted for wanted in wanted_now if wanted.content.sha256 in near]
        if lacked:
            raise CheckError(missing(self._build, wanted, near[wanted.content.sha256], None) for wanted in lacked)


def run(build: Build) -> str:
    """Say what a search that found everything found."""
    search, asked = build.inputs.search, asked_outputs(build)
    lacking = {want.content.sha256 for want, _ in search.missing if want.content.sha256 not in search.contents}
    outside = _only_outside(build, asked)  # and not the many that are asked for
    found = len(search.contents) - sum(sha256 in search.contents for sha256 in outside)
    wanted = found + len(lacking - outside)
    line = f"{found:,} of {counted(wanted, 'content')} found"
    line += f" in {counted(len(build.inputs.manifest.sources.places), 'place')}"
    return line + ("; the rest is not needed now" if found < wanted else "")


def _only_outside(build: Build, asked: Collection[Output]) -> set[str]:
    """Return the SHA-256 of what only outputs want that are not asked for."""
    inputs = build.inputs
    others = (output for output in inputs.outputs() if output not in asked)
    outside = {wanted.content.sha256 for output in others for wanted in inputs.wanted_for(output)}
    for output in asked if outside else ():
        outside.difference_update(wanted.content.sha256 for wanted in inputs.wanted_for(output))
    return outside


def asked_outputs(build: Build) -> set[Output]:
    """Return the outputs that the tasks asked for come to: ROM files of titles, and cards with their titles."""
    manifest, outputs = build.inputs.manifest, set[Output]()
    for task in build.asked or ("sheet",):
        stage, _, name = task.partition(":")
        if stage == "rom":
            outputs |= {("rom", title) for title in manifest.titles if name in ("", title)}
        elif stage != "check":
            outputs |= _of_cards(build, [card.id for card in build.inputs.cards_worked_out() if name in ("", card.id)])
    return outputs


def _of_cards(build: Build, cards: Iterable[str]) -> set[Output]:
    outputs = set[Output]()
    for card_id in cards:
        titles = build.inputs.copied(build.inputs.manifest.cards[card_id]).selection.titles
        outputs |= {("card", card_id), *(("rom", title.id) for title in titles)}
    return outputs


def _needs(build: Build, output: Output) -> bool:
    """Whether an output must be made, and of its sources: ROM files may be in the store."""
    kind, name = output
    return is_due(build, output) and not (kind == "rom" and build.title(build.inputs.manifest.titles[name]).is_stored())


def is_due(build: Build, output: Output) -> bool:
    """Whether an output must be made again; what cannot be worked out counts as such, and fails where it is made."""
    kind, name = output
    try:
        if kind == "rom":
            return build.title(build.inputs.manifest.titles[name]).reason() is not None
        card = build.card(name)
        return (plan.reason(card) or image.reason(card)) is not None
    except CardkilnError:
        return True


def missing(build: Build, wanted: Wanted, near: Candidate | None, derived: Derived | None) -> Problem:
    """Return the problem that a content is in no place, and what comes nearest to it."""
    workspace, manifest = build.workspace, build.inputs.manifest
    size = "" if wanted.content.size is None else f"{show_size(wanted.content.size)}, "
    places = counted(len(manifest.sources.places), "place")
    what = f"{wanted.name} is in none of the {places} searched: {size}SHA-256 {wanted.content.sha256}"
    hint = "add the folder or archive it is in to sources.toml"
    if derived:
        hint = f"{found_as(workspace, derived)}; {to_use(derived)}"
    elif near:
        hint = "; ".join([nearest(workspace, near), *signs(workspace, manifest, wanted, near)])
    return Problem(wanted.place, what, hint, rule=EVERY_CONTENT_IS_FOUND.name)
