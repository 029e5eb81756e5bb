"""Which reference to a person is the subject of some words: by grammar, and by how coaches put names where a parse misses them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from voiceover.mentions.parse import ParsedSentence, ParsedTalk, Span
from voiceover.mentions.references import Reference, reference_at

SUBJECTS = {"nsubj", "nsubjpass", "csubj", "expl"}
_CLIMB = {"conj", "xcomp", "advcl", "ccomp", "relcl", "acl", "pcomp", "parataxis", "dep", "prep", "pobj", "dobj", "attr",
          "acomp", "advmod", "npadvmod", "appos", "oprd", "nmod", "compound", "amod", "poss", "prt", "agent", "aux",
          "auxpass", "neg", "mark", "cc", "det", "nummod", "intj", "dative", "punct", "predet", "case"}  # fmt: skip
_FILLERS = frozenset("uh um the a big our their number you know er good old".split())
# "you can hear Hutch": the listener perceives, somebody else does.
PERCEIVE = frozenset("see hear watch look notice know want".split())
# "So he can't get it", "so Lind gets there": what is done for somebody, or against him.
_SERVED = frozenset("can can't cannot could couldn't gets has won't doesn't never".split())
_OBJECTS = frozenset("him her them us me".split())


class SubjectFinder:
    """Finds the subject of words among the references of one talk."""

    def __init__(self, talk: ParsedTalk, references: Sequence[Sequence[Reference]]) -> None:
        self._talk, self._references = talk, references

    def find(self, parsed: ParsedSentence, span: Span) -> Reference | None:
        """The reference to the one who does what a span tells; None where nobody is named or he is only served by it."""
        found = (
            self._agent_behind(parsed, span)
            or self._named_behind(parsed, span)
            or self._right_before(parsed, span)
            or self._after_so(parsed, span)
            or self._at_start(parsed, span)
            or self._by_grammar(parsed, span)
            or self._fronted(parsed, span)
            or self._named_inside(parsed, span)
        )
        return None if found is None or self._is_served(found, span) else found

    def _agent_behind(self, parsed: ParsedSentence, span: Span) -> Reference | None:
        """ "a great screen by Kolbe": the name behind `by`, within a filler or two."""
        words = self._talk.transcript.words
        for r in self._references[parsed.index]:
            if r.kind == "pronoun" or not span.first <= r.first <= span.last + 4:
                continue
            between = [words[i].text.lower().strip(",.") for i in range(max(span.first, r.first - 3), r.first)]
            if "by" in between and all(w in _FILLERS for w in between[between.index("by") + 1 :]):
                return r
        return None

    def _named_behind(self, parsed: ParsedSentence, span: Span) -> Reference | None:
        """ "Who is parked out there, Kolb again", "taking his eyes, that's Benny's job": the name is the answer."""
        words = self._talk.transcript.words
        asked = any(w.text.lower().split("'")[0] == "who" for w in words[max(parsed.sentence.first, span.first - 2) : span.first + 1])
        doing = any(t.tag_ == "VBG" for t in parsed.tokens_of(Span(span.first, span.first)))
        for r in self._references[parsed.index]:
            if r.kind == "pronoun" or not span.last < r.first <= span.last + 2:
                continue
            told = doing and words[r.first - 1].text.lower().replace("’", "'") == "that's"
            if (asked and r.first == span.last + 1) or (told and r.first == span.last + 2):
                return r
        return None

    def _right_before(self, parsed: ParsedSentence, span: Span) -> Reference | None:
        """ "Forty-four | slides in front of it", "you | stick your back end out": who is named right before a verb that the parse may miss."""
        first = next((t for t, w in zip(parsed.doc, parsed.word_of_token, strict=True) if w == span.first and t.is_alpha), None)
        if first is None or first.tag_ not in {"VBZ", "VBD", "VBP", "VB", "NNS", "NN"} or first.i == 0:
            return None
        r = next((r for r in self._references[parsed.index] if r.last == span.first - 1), None)
        before = parsed.doc[first.i - 1]
        if r is None or before.is_punct or before.tag_ in {"PRP$", "POS"} or before.lower_ in _OBJECTS:
            return None
        if first.tag_ in {"NN", "NNS"} and r.kind == "pronoun" and before.lower_ == "her":
            return None
        return None if before.dep_ in {"dobj", "pobj", "dative"} and first.tag_ in {"NN", "NNS", "VB"} else r

    def _after_so(self, parsed: ParsedSentence, span: Span) -> Reference | None:
        """ "The checker's on his outside so he goes the other way": the one who answers is the one who does it."""
        words = self._talk.transcript.words
        for r in self._references[parsed.index]:
            after_so = span.first < r.first <= span.last and words[r.first - 1].text.lower() == "so"
            behind = words[r.last + 1].text.lower().replace("’", "'") if r.last < span.last else ""
            if after_so and r.kind == "pronoun" and behind not in _SERVED:
                return r
        return None

    def _is_served(self, found: Reference, span: Span) -> bool:
        """ "Hold it there, so Lind can get up", "one more second, let Lind arrive": the one for whom it is done does not do it."""
        words = self._talk.transcript.words
        if found.kind == "pronoun" or found.first <= span.first or found.last + 1 >= len(words):
            return False
        before, behind = (words[i].text.lower().strip(",.") for i in (found.first - 1, found.last + 1))
        return before == "let" or (before in {"so", "that"} and behind in _SERVED)

    def _at_start(self, parsed: ParsedSentence, span: Span) -> Reference | None:
        """The words begin with the name itself."""
        return next((r for r in self._references[parsed.index] if r.first == span.first and r.kind != "pronoun"), None)

    def _named_inside(self, parsed: ParsedSentence, span: Span) -> Reference | None:
        """A name within the words that looks like a subject, where the parse did not join it to the verb."""
        for r in self._references[parsed.index]:
            if r.kind != "pronoun" and span.first <= r.first <= span.last:
                if any(t.dep_ in {"nsubj", "nsubjpass"} for t in parsed.tokens_of(Span(r.first, r.last))):
                    return r
        return None

    def _by_grammar(self, parsed: ParsedSentence, span: Span) -> Reference | None:
        """The reference that is the subject of what the span tells, climbing from its words to the clause above."""
        tokens = [t for t in parsed.tokens_of(span) if not t.is_punct]
        inside = {t.i for t in tokens}
        roots = [t for t in tokens if t.head.i not in inside or t.head == t]
        # The verb of the span speaks first.
        roots.sort(key=lambda t: (t.pos_ not in {"VERB", "AUX"}, t.i))
        for root in roots[:3]:
            found = self._subject_of(parsed, root)
            if found is not None:
                return found
        return None

    def _fronted(self, parsed: ParsedSentence, span: Span) -> Reference | None:
        """ "look at Bev, our five, dropping in underneath": a name set in front, with nothing but commas between."""
        words = self._talk.transcript.words
        named = [r for r in self._references[parsed.index] if r.last < span.first and r.kind != "pronoun"]
        if not named:
            return None
        between = self._talk.sentences[parsed.index]
        verbs = [t for t in between.tokens_of(Span(named[-1].last + 1, span.first - 1)) if t.pos_ in {"VERB", "AUX"}]
        near = span.first - named[-1].last <= 1 or (
            span.first - named[-1].last <= 4 and words[named[-1].last].text.endswith((",", "?", ":"))
        )
        return named[-1] if near and not verbs else None

    def _subject_of(self, parsed: ParsedSentence, token: Any) -> Reference | None:
        for _ in range(8):
            if token.dep_ in {"nsubj", "nsubjpass", "poss"}:
                own = self._reference_of(parsed, token)
                if own is not None:
                    return own
            subjects = [c for c in token.children if c.dep_ in SUBJECTS]
            for child in subjects:
                found = self._reference_of(parsed, child)
                if found is not None and not (found.pronoun == "you" and token.lemma_.lower() in PERCEIVE):
                    return found
            if subjects and token.pos_ in {"VERB", "AUX"} and subjects[0].lower_ in {"i", "we", "it"}:
                return self._wanted(parsed, token)
            relative = next((c for c in subjects if c.lower_ == "who" or (c.lower_ == "that" and token.dep_ == "relcl")), None)
            if relative is not None:
                word = parsed.word_of_token[relative.i]
                found = next((r for r in self._references[parsed.index] if r.last == word - 1), None)
                if found is not None:
                    return found
            if token.dep_ in {"relcl", "acl"}:
                found = self._reference_of(parsed, token.head)
                if found is not None:
                    return found
            if token.head == token or token.dep_ not in _CLIMB:
                return None
            token = token.head
        return None

    def _wanted(self, parsed: ParsedSentence, verb: Any) -> Reference | None:
        """ "I wanted Lind standing there": the one of whom it is wanted."""
        for child in verb.children:
            if child.dep_ in {"dobj", "ccomp", "xcomp"}:
                found = self._reference_of(parsed, child)
                for grandchild in child.children:
                    if found is None and grandchild.dep_ in SUBJECTS:
                        found = self._reference_of(parsed, grandchild)
                if found is not None:
                    return found
        return None

    def _reference_of(self, parsed: ParsedSentence, token: Any) -> Reference | None:
        """The reference that a noun phrase is, or whose thing it is ("his chin", "the blade of hers", "Thiel's got")."""
        own = reference_at(self._references[parsed.index], parsed.word_of_token[token.i])
        if own is not None:
            return own
        for child in token.children:
            if child.dep_ in {"poss", "compound", "appos", "nummod"}:
                found = self._reference_of(parsed, child)
                if found is not None:
                    return found
            if child.dep_ == "prep" and child.lower_ == "of":
                for grandchild in child.children:
                    if grandchild.dep_ == "pobj":
                        found = self._reference_of(parsed, grandchild)
                        if found is not None:
                            return found
        return None
