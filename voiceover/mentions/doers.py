"""Who does it, weighed: what the rules of grammar say, against who was talked about last and who usually does such a thing.

A rule is right nine times in ten. Where it is not, what speaks against it is seldom grammar: a player who was the subject a moment ago
goes on being "he", and a shot is seldom blocked by the one who shoots.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from voiceover.fitted import fitted
from voiceover.mentions.model import ROLES
from voiceover.mentions.parse import ParsedTalk, Span
from voiceover.mentions.people import PeopleResolver
from voiceover.mentions.reading import FOCUS, Reading
from voiceover.mentions.references import OPPONENT, TEAMMATE, Reference
from voiceover.roster import Player

_HE = ("he", "she")
# Sentences before this one in which somebody may have been named; and among them those whose people are candidates. Guesses, not measured.
LOOK_BACK, CANDIDATES_BACK = 3, 2
# A name so few words before or behind what is done stands near; 1 is right beside it. Guesses, not measured.
NEAR_BEFORE, NEAR_BEHIND, FRONT = 4, 2, 3

FEATURES = (
    "rule", "rule_sure", "rule_named", "rule_none", "rule_he", "rule_you", "rule_they", "focus", "focus_none", "focus_talked_to",
    "before", "before_near", "inside", "inside_first", "behind", "behind_near", "last_he", "last_he_near", "last_none",
    "last_none_near", "unnamed", "focus_he_talked_to", "front", "front_near", "opponent_they", "rule_unnamed", "other_you",
    "read", "read_unnamed", "pointed", "pointed_unnamed",
    "doer_before", "doer_before_he", "doer_before_none", "usual", "usual_unnamed",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Somebody:
    """One who may have done it."""

    player: Player | None
    """None where he can't be named."""
    role: str
    """focus, teammate or opponent."""
    features: tuple[float, ...]
    """As named in FEATURES, but for the last five, which hang on the mention before and on what is usual."""
    subject: str
    """What the subject of the words is: named, a pronoun or none."""
    alone: bool
    """Whether nobody is named before the words in their sentence."""

    def __str__(self) -> str:
        return self.player.name if self.player else self.role


def somebodies(
    talk: ParsedTalk, people: PeopleResolver, reading: Reading, sentence: int, span: Span, principle_id: str, focus: Player | None
) -> list[Somebody]:
    """Who may have done what a span of words tells, the rules' answer first.

    Args:
        talk: the parsed narration.
        people: resolves its references.
        reading: what the reader thinks of it.
        sentence: index of the sentence that the words stand in.
        span: the words.
        principle_id: what they tell.
        focus: the focus player of their possession; None where nobody is in focus.
    """
    rule, subject = people.doer_and_subject(sentence, span, focus)
    found: dict[str, tuple[Player | None, str]] = {}

    def add(player: Player | None, role: str) -> None:
        if role == FOCUS and player is None:
            player = focus
        if player is not None:
            role = people.roster.role_of(player)
        if role:
            found.setdefault(player.name if player else role, (player, role))

    add(rule.player, rule.role)
    ruled = next(iter(found))
    add(focus, FOCUS)
    here = people.references(sentence)
    back = [people.references(k) for k in range(sentence - 1, max(-1, sentence - 1 - LOOK_BACK), -1)]
    for r in (*here, *(r for references in back[:CANDIDATES_BACK] for r in references)):
        add(r.player, r.role)
    name = focus.name if focus else FOCUS
    context = _Context(
        talk,
        here,
        back,
        sentence,
        span,
        subject,
        people.talks_to_focus,
        name,
        ruled,
        rule.sure,
        reading.role(span, principle_id),
        reading.doers(talk, sentence, span, principle_id),
    )
    return [Somebody(player, role, context.features(n, role), context.kind, context.alone) for n, (player, role) in found.items()]


class _Context:
    """What stands around some words."""

    def __init__(
        self, talk: ParsedTalk, here: Sequence[Reference], back: Sequence[Sequence[Reference]], sentence: int, span: Span,
        subject: Reference | None, talks_to_focus: bool, focus: str, ruled: str, sure: float, read: NDArray[np.float32],
        pointed: Mapping[str, float],
    ) -> None:  # fmt: skip
        self._here, self._span, self._focus, self._ruled, self._sure = here, span, focus, ruled, sure
        self._talks_to_focus, self._read, self._pointed = talks_to_focus, read, pointed
        self.kind = "none" if subject is None else (subject.pronoun or "named")
        self.alone = not any(r.kind != "pronoun" and r.last < span.first for r in here)
        self._last, self._gap = "", LOOK_BACK
        for gap, references in enumerate(back):
            named = [r for r in references if r.kind != "pronoun"]
            subjects = [r for r in named if _is_subject(talk, sentence - 1 - gap, r)]
            if named:
                self._last, self._gap = self._name((subjects or named)[-1]), gap
                break

    def _name(self, r: Reference) -> str:
        return r.player.name if r.player else self._focus if r.role == FOCUS else r.role

    def _pointed_to(self, name: str, role: str) -> float:
        """How likely the reader thinks him; the focus player is meant too where nobody is named."""
        unnamed = self._pointed[role]
        if name == self._focus and role == FOCUS and name in self._pointed:
            return float(np.logaddexp(self._pointed[name], unnamed))
        return self._pointed.get(name, unnamed)

    def features(self, name: str, role: str) -> tuple[float, ...]:
        span, kind = self._span, self.kind
        places = [r for r in self._here if r.kind != "pronoun" and self._name(r) == name]
        before = min((span.first - r.last for r in places if r.last < span.first), default=0)
        inside = [r.first for r in places if span.first <= r.first <= span.last]
        behind = min((r.first - span.last for r in places if r.first > span.last), default=0)
        he = kind in _HE
        read, pointed = float(self._read[ROLES.index(role)]), self._pointed_to(name, role)
        rule, focus, last = name == self._ruled, name == self._focus, name == self._last
        he_alone, none_alone = he and self.alone, kind == "none" and self.alone
        unnamed = name in (TEAMMATE, OPPONENT)
        front = rule and not focus and (he or kind == "they") and before > 0
        values = (
            rule, rule * self._sure, rule and kind == "named", rule and kind == "none", rule and he, rule and kind == "you", rule and kind == "they",
            focus, focus and kind == "none", focus and self._talks_to_focus,
            before > 0, 0 < before <= NEAR_BEFORE, bool(inside), span.first in inside, behind > 0, 0 < behind <= NEAR_BEHIND,
            last and he_alone, last and he_alone and self._gap == 0, last and none_alone, last and none_alone and self._gap == 0, unnamed, focus and he and self._talks_to_focus,
            front, front and before <= FRONT, role == OPPONENT and kind == "they", rule and unnamed,
            not focus and not rule and kind == "you",
            read, read * (kind != "named"), pointed, pointed * (kind != "named"),
        )  # fmt: skip
        return tuple(map(float, values))


def _is_subject(talk: ParsedTalk, sentence: int, r: Reference) -> bool:
    return any(t.dep_ in {"nsubj", "nsubjpass"} for t in talk.sentences[sentence].tokens_of(Span(r.first, r.last)))


@dataclass(frozen=True, slots=True)
class Ranking:
    """How much each of FEATURES speaks for somebody, fitted by evaluation/fit_doers.py."""

    weights: NDArray[np.float64]
    """Shape (len(FEATURES),)."""
    usual: Mapping[str, Sequence[float]]
    """For each principle the log of how much oftener than other principles it is done by each of ROLES."""

    def best(self, candidates: Sequence[Somebody], principle_id: str, before: str) -> Somebody:
        """The likeliest.

        Args:
            candidates: at least one.
            principle_id: what he does.
            before: whoever did what was mentioned before, as str(Somebody); empty at the beginning of a talk.
        """
        usual = self.usual.get(principle_id)
        return max(candidates, key=lambda c: float(self.weights @ np.array(all_features(c, before, usual))))


def all_features(candidate: Somebody, before: str, usual: Sequence[float] | None) -> tuple[float, ...]:
    """All FEATURES of a candidate.

    Args:
        candidate: with those that hang on nothing else.
        before: whoever did what was mentioned before.
        usual: for each of ROLES; None for a principle of which nothing is known.
    """
    again, none = str(candidate) == before, candidate.subject == "none"
    value = usual[ROLES.index(candidate.role)] if usual is not None else 0.0
    return (
        *candidate.features, float(again), float(again and candidate.alone and candidate.subject in _HE), float(again and none),
        value, value * (candidate.subject != "named"),
    )  # fmt: skip


@lru_cache(maxsize=1)
def load_ranking() -> Ranking:
    """The fitted numbers that ship with the tool."""
    kept = fitted("doers")
    return Ranking(np.array(kept["weights"]), kept["usual"])


class DoerFinder:
    """Answers who does what, mention by mention in the order of one talk."""

    def __init__(self, talk: ParsedTalk, people: PeopleResolver, reading: Reading) -> None:
        self._talk, self._people, self._reading, self._ranking = talk, people, reading, load_ranking()
        self._before = ""

    def doer(self, sentence: int, span: Span, principle_id: str, focus: Player | None) -> Somebody:
        """Who does what a span of words tells.

        Args:
            sentence: index of the sentence it stands in.
            span: the quoted words.
            principle_id: what they tell.
            focus: the focus player of its possession; None where nobody is in focus.
        """
        found = self._ranking.best(
            somebodies(self._talk, self._people, self._reading, sentence, span, principle_id, focus), principle_id, self._before
        )
        self._before = str(found)
        return found
