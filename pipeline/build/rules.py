"""What the rules say of a card, and what is done about it: an error, a warning, or silenced by the card."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from pipeline.card import rules as card_rules
from pipeline.card.select import Selection
from pipeline.errors import ManifestError, Place, Problem
from pipeline.model.content import CardFile
from pipeline.model.manifest import Card, Station
from pipeline.model.rules import RULES, WARNING, Rule
from pipeline.model.text import did_you_mean
from pipeline.stations import rules as station_rules


@dataclass(frozen=True, slots=True, kw_only=True)
class Judgement:
    """What the rules say of a card, sorted. ``silenced``: set aside by the card, each with the reason it writes."""

    errors: tuple[Problem, ...] = ()
    warnings: tuple[Problem, ...] = ()
    silenced: tuple[tuple[Problem, str], ...] = ()


def judge(
    selection: Selection, files: Sequence[CardFile], changed: Sequence[CardFile], stations: Sequence[Station]
) -> Judgement:
    """Return what the rules say of a card; ``changed``: the files that its config files were changed from."""
    card = selection.card
    problems = card_rules.broken_rules(selection, files, changed)
    problems += station_rules.broken_rules(card, stations, selection.board, selection.cores, selection.titles)
    problems += _misnamed(card)
    return judged(card, problems)


def judged(card: Card, problems: Iterable[Problem]) -> Judgement:
    """Return problems by what is done about each: silenced by the card, else as their rules say."""
    found = sorted(set(problems))
    silenced = [(one, card.silenced[one.rule]) for one in found if one.rule in card.silenced and _can_be(one)]
    told = [one for one in found if one not in {problem for problem, _ in silenced}]
    return Judgement(
        errors=tuple(one for one in told if _level(one) != WARNING),
        warnings=tuple(one for one in told if _level(one) == WARNING),
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
    silence = f'[silence] {rule.name} = "why" in the card silences it, and the record says so.'
    if not rule.can_be_silenced:
        silence = "It cannot be silenced: a card that breaks it does not work."
    effect = "An error: the card is not built." if rule.level != WARNING else "A warning: it is shown and recorded."
    if rule.stage == "publish":
        effect = "An error: the card is not published."
    return f"{rule.name}\n\n{rule.reason}\n\n{effect} Found by {end[rule.stage]}.\n{silence}\n"


def _level(problem: Problem) -> str:
    return RULES[problem.rule].level if problem.rule in RULES else "error"


def _can_be(problem: Problem) -> bool:
    return RULES[problem.rule].can_be_silenced


def _misnamed(card: Card) -> Iterator[Problem]:
    """Yield what a card silences or accepts that is no rule, or a rule for which it cannot be done."""
    for key, names in (("silence", card.silenced), ("accept", card.accepted)):
        for name in names:
            place = Place(file=card.file, key=f"{key}.{name}")
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
