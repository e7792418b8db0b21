"""What the rules say of a card, and what is done about it: an error, a warning, or silenced."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from pipeline.card import rules as card_rules
from pipeline.card.select import Selection
from pipeline.errors import ManifestError, Place, Problem
from pipeline.model.content import CardFile
from pipeline.model.finished import Silenced
from pipeline.model.manifest import Station
from pipeline.model.rules import RULES, WARNING, Rule
from pipeline.model.text import did_you_mean
from pipeline.stations import rules as station_rules


@dataclass(frozen=True, slots=True, kw_only=True)
class Judgement:
    """What the rules say of a card, sorted. ``silenced``: set aside by the card, its board or a core."""

    errors: tuple[Problem, ...] = ()
    warnings: tuple[Problem, ...] = ()
    silenced: tuple[Silenced, ...] = ()


def judge(
    selection: Selection, files: Sequence[CardFile], changed: Sequence[CardFile], stations: Sequence[Station]
) -> Judgement:
    """Return what the rules say of a card; ``changed``: the files that its config files were changed from."""
    card = selection.card
    problems = card_rules.broken_rules(selection, files, changed)
    problems += station_rules.broken_rules(card, stations, selection.board, selection.cores, selection.titles)
    problems += _misnamed(card.file, {"silence": card.silenced, "accept": card.accepted})
    problems += _misnamed(selection.board.file, {"silence": selection.board.silenced})
    for core in selection.cores:
        problems += _misnamed(core.file, {"silence": core.silenced})
    return judged(selection, problems)


def judged(selection: Selection, problems: Iterable[Problem]) -> Judgement:
    """Return problems by what is done about each: silenced, else as their rules say."""
    silenced: list[Silenced] = []
    shown: list[Problem] = []
    for problem in sorted(set(problems)):
        found = _silence(selection, problem)
        if found:
            silenced.append(found)
        else:
            shown.append(problem)
    return Judgement(
        errors=tuple(problem for problem in shown if _level(problem) != WARNING),
        warnings=tuple(problem for problem in shown if _level(problem) == WARNING),
        silenced=tuple(silenced),
    )


def rule_named(name: str) -> Rule:
    """Return a rule; raises ManifestError with the nearest one."""
    if name not in RULES:
        raise ManifestError.one(f'found "{name}", expected the name of a rule', _hint(name))
    return RULES[name]


def list_text() -> str:
    """Return all rules, a line each: name, what comes of breaking it, what it asks."""
    width = max(map(len, RULES))
    return "".join(
        f"{rule.name:<{width}}  {rule.level:<7}  {rule.reason.partition(chr(10))[0]}\n" for rule in RULES.values()
    )


def explain_text(rule: Rule) -> str:
    """Return everything there is to say of a rule."""
    end = {"check": "doit check", "find": "the search of the sources", "image": "doit image", "publish": "doit publish"}
    silence = f'[silence] {rule.name} = "why" in the card, board or core silences it, and the record says so.'
    if not rule.can_be_silenced:
        silence = "It cannot be silenced: a card that breaks it does not work."
    effect = "An error: the card is not built." if rule.level != WARNING else "A warning: it is shown and recorded."
    if rule.stage == "publish":
        effect = "An error: the card is not published."
    return f"{rule.name}\n\n{rule.reason}\n\n{effect} Found by {end[rule.stage]}.\n{silence}\n"


def _level(problem: Problem) -> str:
    return RULES[problem.rule].level if problem.rule in RULES else "error"


def _silence(selection: Selection, problem: Problem) -> Silenced | None:
    """Return who sets a problem aside: the card, a core whose manifest the problem names, or the board."""
    if problem.rule not in RULES or not RULES[problem.rule].can_be_silenced:
        return None
    card, board = selection.card, selection.board
    named = {problem.place.file, *(place.file for place in problem.also)}
    cores = [(f"core {core.id}", core.silenced) for core in selection.cores if core.file in named]
    for by, silenced in ((f"card {card.id}", card.silenced), *cores, (f"board {board.id}", board.silenced)):
        if problem.rule in silenced:
            return Silenced(problem=problem, reason=silenced[problem.rule], by=by)
    return None


def _misnamed(file: str, tables: Mapping[str, Mapping[str, str]]) -> Iterator[Problem]:
    """Yield what a manifest silences or accepts that is no rule, or a rule for which it cannot be done."""
    for key, names in tables.items():
        for name in names:
            place = Place(file=file, key=f"{key}.{name}")
            if name not in RULES:
                yield Problem(place, f'found "{name}", expected the name of a rule', _hint(name))
            elif key == "silence" and not RULES[name].can_be_silenced:
                what = f'rule "{name}" cannot be silenced: a card that breaks it does not work'
                yield Problem(place, what, "remove the line, and fix what the rule reports")
            elif key == "accept" and RULES[name].level != WARNING:
                what = f'rule "{name}" gives an error, and only warnings can be accepted for publishing'
                yield Problem(place, what, "remove the line")


def _hint(name: str) -> str:
    return did_you_mean(name, RULES, "doit check --list shows them all")
