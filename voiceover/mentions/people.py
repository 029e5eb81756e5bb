"""Who does it: the player behind each mention, from grammar, names and what was said last."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from voiceover.lexicon.model import Lexicon
from voiceover.mentions.parse import ParsedSentence, ParsedTalk, Span
from voiceover.mentions.references import OPPONENT, TEAMMATE, Reference, ReferenceFinder, reference_at
from voiceover.mentions.subjects import PERCEIVE, SUBJECTS, SubjectFinder
from voiceover.roster import Player, Roster

# Two do this to each other.
_TOGETHER = frozenset("trade swap switch exchange".split())


@dataclass(frozen=True, slots=True)
class Doer:
    """Who does it."""

    player: Player | None
    """None where he can't be named."""
    role: str
    """focus, teammate or opponent."""
    sure: float = 1.0
    """0..1, how plainly it is said."""


class PeopleResolver:
    """Answers who does what in one talk."""

    def __init__(self, talk: ParsedTalk, roster: Roster, lexicon: Lexicon) -> None:
        self._talk, self._roster = talk, roster
        finder = ReferenceFinder(roster, lexicon)
        self._references = [
            _without_corrected(s, finder.find([w.text for w in _words(talk, s)], offset=s.sentence.first)) for s in talk.sentences
        ]
        self._subjects = SubjectFinder(talk, self._references)
        self._you = self._other_eyes()
        self.talks_to_focus = self._is_addressed_to_focus()
        """Whether "you" is the focus player."""

    @property
    def roster(self) -> Roster:
        """Who is on the clip."""
        return self._roster

    def _is_addressed_to_focus(self) -> bool:
        """Whether the coach talks to the player himself: "you" does as many things as "he" and "she" together.

        "You know", "you see" and "I tell you" address anybody and do not count. Right in all 16 public narrations.
        """
        you = other = 0
        for parsed, references in zip(self._talk.sentences, self._references, strict=True):
            for r in references:
                tokens = parsed.tokens_of(Span(r.first, r.last))
                if r.kind != "pronoun" or not any(t.dep_ in {"nsubj", "poss", "nsubjpass"} for t in tokens):
                    continue
                if r.pronoun == "you":
                    you += not any(t.head.lemma_.lower() in PERCEIVE for t in tokens if t.dep_ == "nsubj")
                else:
                    other += r.pronoun in {"he", "she"}
        return you > other

    def references(self, sentence: int) -> list[Reference]:
        """The references to people in one sentence."""
        return self._references[sentence]

    def doer_and_subject(self, sentence: int, span: Span, focus: Player | None) -> tuple[Doer, Reference | None]:
        """Who does what a span of words tells, by rules alone; and the reference that is their subject, None where they have none.

        Args:
            sentence: index of the sentence it stands in.
            span: the quoted words.
            focus: the focus player of its possession; None where nobody is in focus.
        """
        parsed = self._talk.sentences[sentence]
        found = self._subjects.find(parsed, span)
        if found is None:
            return Doer(focus, "focus", 0.7), None
        return self._resolve(parsed, found, focus), found

    def _resolve(self, parsed: ParsedSentence, found: Reference, focus: Player | None) -> Doer:
        if found.player is not None:
            return Doer(found.player, self._roster.role_of(found.player))
        if found.kind == "number":  # which several wear
            return Doer(None, found.role, 0.5)
        if found.kind == "part":
            return Doer(focus, "focus") if found.role == "focus" else self._part(parsed.index, found)
        if found.pronoun == "you":
            player = self._addressed(parsed, found) or self._you[parsed.index] or focus
            return Doer(player, self._roster.role_of(player) if player else "focus", 0.9)
        front = self._dislocated(parsed, found)
        if front is not None:
            return self._resolve(parsed, front, focus)
        same = self._carried_on(parsed, found) or self._owner(parsed, found)
        if same is not None:
            return self._resolve(parsed, same, focus)
        if found.pronoun == "they":
            owner = self._whose(parsed, found)
            if owner is not None:
                return self._resolve(parsed, owner, focus)
            # Two trade places, and the one in the middle of the talk is one of them.
            together = any(t.lemma_.lower() in _TOGETHER for t in parsed.doc)
            return Doer(focus, "focus", 0.6) if together else Doer(None, OPPONENT, 0.5)
        again = (
            parsed.index > 0
            and any(t.lower_ in {"also", "too"} for t in parsed.doc)
            and not any(r.role == "focus" for r in self._references[parsed.index])
        )
        if (self.talks_to_focus and self._you[parsed.index] is None) or again or self._focus_is_object(parsed, found):
            other = self._last_other(parsed, found)
            if other is not None:
                return other
        return Doer(focus, "focus", 0.8)

    def _addressed(self, parsed: ParsedSentence, you: Reference) -> Player | None:
        """ "And Priya, hon, you have to ...": the name called out right before."""
        words = self._talk.transcript.words
        for r in reversed(self._references[parsed.index]):
            if r.kind == "name" and r.player and 0 < you.first - r.last <= 4 and words[r.last].text.endswith(","):
                return r.player
        return None

    def _dislocated(self, parsed: ParsedSentence, pronoun: Reference) -> Reference | None:
        """ "But Wrenny, he's way off" and "that's Penhallow, she's coming": a name set before its own pronoun."""
        words = self._talk.transcript.words
        for r in reversed(self._references[parsed.index]):
            reach = 8 if r.first == parsed.sentence.first else 5
            if r.kind == "pronoun" or not 0 < pronoun.first - r.last <= reach:
                continue
            if self._set_in_front(parsed, r, pronoun):
                return r
            if not words[r.last].text.endswith((",", "?", ";")):
                continue
            tokens = parsed.tokens_of(Span(r.first, r.last))
            if not any(t.dep_ in {"nsubj", "nsubjpass", "pobj", "dobj", "poss"} for t in tokens):
                return r
            if any(t.dep_ in {"attr", "appos", "ROOT", "npadvmod", "intj", "dep"} for t in tokens):
                return r
            if any(t.dep_ in {"dobj", "pobj"} and _watched(t) for t in tokens):
                return r
        return None

    def _set_in_front(self, parsed: ParsedSentence, r: Reference, pronoun: Reference) -> bool:
        """ "Then number nine for gold, he ...": nothing but the name and a comma, or what tells which one it is, in between."""
        words = self._talk.transcript.words
        if not words[pronoun.first - 1].text.endswith(","):
            return False
        between = parsed.tokens_of(Span(r.last + 1, pronoun.first - 1)) if pronoun.first - r.last > 1 else []
        return all(t.dep_ in {"prep", "pobj", "det", "compound", "amod", "punct"} and not words[r.last].text.endswith(",") for t in between)

    def _focus_is_object(self, parsed: ParsedSentence, pronoun: Reference) -> bool:
        """ "He pushes our boy wide": who does it to the focus player is somebody else."""
        tokens = parsed.tokens_of(Span(pronoun.first, pronoun.last))
        verbs = [t.head for t in tokens if t.dep_ in {"nsubj", "nsubjpass"}]
        for r in self._references[parsed.index]:
            listener = self.talks_to_focus and r.pronoun == "you" and self._you[parsed.index] is None
            if r.first > pronoun.first and (listener or (r.role == "focus" and r.kind != "pronoun")):
                if any(
                    (t.head in verbs or t.head.head in verbs) and t.dep_ in {"dobj", "pobj"}
                    for t in parsed.tokens_of(Span(r.first, r.last))
                ):
                    return True
        return False

    def _carried_on(self, parsed: ParsedSentence, pronoun: Reference) -> Reference | None:
        """ "Lind has it down low and she sends it up": after `and`, with nobody else in between, the pronoun is the name."""
        words = self._talk.transcript.words
        references = [r for r in self._references[parsed.index] if r.last < pronoun.first]
        if not references or references[-1].kind == "pronoun":
            return None
        before = words[pronoun.first - 1].text.lower()
        if before.strip(",") not in {"and", "then", "but"} and not before.endswith(","):
            return None
        tokens = parsed.tokens_of(Span(references[-1].first, references[-1].last))
        return references[-1] if any(t.dep_ in {"nsubj", "nsubjpass", "poss"} for t in tokens) else None

    def _whose(self, parsed: ParsedSentence, they: Reference) -> Reference | None:
        """ "Your feet, they never stop": they are somebody's feet."""
        owned = [t for t, w in zip(parsed.doc, parsed.word_of_token, strict=True) if w < they.first and t.tag_ == "NNS"]
        for child in owned[-1].children if owned else ():
            if child.dep_ == "poss":
                return reference_at(self._references[parsed.index], parsed.word_of_token[child.i])
        return None

    def _owner(self, parsed: ParsedSentence, pronoun: Reference) -> Reference | None:
        """ "Forty-four's got his blade in the lane": his own, of the one named as the subject above."""
        tokens = [t for t in parsed.tokens_of(Span(pronoun.first, pronoun.last)) if t.dep_ == "poss"]
        for verb in tokens[0].ancestors if tokens else ():
            for child in verb.children:
                if child.dep_ in SUBJECTS:
                    named = reference_at(self._references[parsed.index], parsed.word_of_token[child.i])
                    return named if named and named.kind != "pronoun" and named.last < pronoun.first else None
        return None

    def _last_other(self, parsed: ParsedSentence, pronoun: Reference) -> Doer | None:
        """Where the coach says "you" to the focus player, "he" is the last other person named."""
        for index in range(parsed.index, max(-1, parsed.index - 3), -1):
            for r in reversed(self._references[index]):
                if r.player is not None and not r.player.focus and (index < parsed.index or r.last < pronoun.first):
                    return Doer(r.player, self._roster.role_of(r.player), 0.6)
        others = [p for p in self._roster.players if self._roster.role_of(p) == OPPONENT]
        return Doer(others[0], OPPONENT, 0.5) if len(others) == 1 else None

    def _part(self, sentence: int, found: Reference) -> Doer:
        """ "His partner", "the D": the one player of that side who was just named, else nobody that can be named."""
        fits = [p for p in self._roster.players if not p.focus and self._roster.role_of(p) == found.role]
        if len(fits) == 1 and found.role == OPPONENT:
            return Doer(fits[0], found.role, 0.7)
        for index in range(sentence, max(-1, sentence - 3), -1):
            near = [r for r in self._references[index] if r.player in fits and (index < sentence or r.first < found.first)]
            if near:
                return Doer(near[-1].player, found.role, 0.6)
        if len(fits) == 1:
            return Doer(fits[0], found.role, 0.6)
        return Doer(None, found.role, 0.6)

    def _other_eyes(self) -> list[Player | None]:
        """For each sentence whom "you" means, where it is not the focus player: until the picture moves on."""
        out: list[Player | None] = []
        now: Player | None = None
        left = 0
        for parsed, references in zip(self._talk.sentences, self._references, strict=True):
            words = [w.text.lower().strip(",.") for w in _words(self._talk, parsed)]
            for r in references:
                if r.player is None:
                    continue
                before = " ".join(words[max(0, r.first - parsed.sentence.first - 3) : r.first - parsed.sentence.first])
                # "This time you're Penhallow", "as if you're Bev", "in Phuntsok's chair".
                if re.search(r"\b(you're|you are|you be|as if you're|yourself as)( now| not \w+)?$|\bas$|\bin$|\bbe$", before):
                    now, left = r.player, 3
            if left == 0:
                now = None
            left = max(0, left - 1)
            out.append(now)
        return out


def _watched(token: Any) -> bool:
    """ "Watch the black D, he's ...": the object of an order to look."""
    head = token.head.head if token.head.dep_ == "prep" else token.head
    return head.lemma_.lower() in PERCEIVE and not any(c.dep_ in SUBJECTS for c in head.children)


def _words(talk: ParsedTalk, parsed: ParsedSentence) -> Sequence[Any]:
    return talk.transcript.words[parsed.sentence.first : parsed.sentence.last + 1]


def _without_corrected(parsed: ParsedSentence, references: list[Reference]) -> list[Reference]:
    """In "Eli, no, sorry, that's Mason" the first name is taken back: it means the second."""
    text = [t.lower_ for t in parsed.doc]
    out = list(references)
    for i, (a, b) in enumerate(zip(references, references[1:], strict=False)):
        between = [w for w, k in zip(text, parsed.word_of_token, strict=True) if a.last < k < b.first and w.isalpha()]
        if a.player and b.player and a.player != b.player and len(between) <= 6 and "no" in between[:2]:
            if {"sorry", "that", "i", "mean", "wait", "actually"} & set(between):
                out[i] = dataclasses.replace(a, player=b.player, role=b.role)
    return out


__all__ = ["OPPONENT", "TEAMMATE", "Doer", "PeopleResolver"]
