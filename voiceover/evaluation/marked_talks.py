"""The marked narrations as the fits look at them: read as the pipeline would, up to the decisions."""

from __future__ import annotations

import json
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from voiceover.evaluation.fit_claims import MarkedNumbers, marked_numbers, marked_possessions
from voiceover.evaluation.fit_doers import MarkedDoer, marked_doers
from voiceover.evaluation.marked import by_sentences_of, narrations_in, prepare, quoted_span, roster_of
from voiceover.lexicon.io import load_lexicon
from voiceover.lexicon.model import Lexicon
from voiceover.mentions.candidates import Candidate, gather_candidates
from voiceover.mentions.encoder import load_encoder
from voiceover.mentions.encoder_weights import LARGE
from voiceover.mentions.meaning import MeaningFinder, ship_head, shipped_for, taught_by, train_head
from voiceover.mentions.ngrams import NgramFinder
from voiceover.mentions.outcome import OutcomeClassifier, rest_of_sentence
from voiceover.mentions.parse import ParsedTalk, parse_talk
from voiceover.mentions.people import PeopleResolver
from voiceover.mentions.phrases import PhraseFinder
from voiceover.mentions.plain import plain_words
from voiceover.mentions.reader import Reader
from voiceover.mentions.reading import Reading, opinion
from voiceover.mentions.status import status_cues, status_features
from voiceover.playhead.track import PlayheadTrack, read_playhead
from voiceover.possessions import Evidence, gather_evidence
from voiceover.speech.captions import read_transcript
from voiceover.talk_acts import ActClassifier


def load_narrations(folder: Path) -> list[tuple[dict[str, Any], ParsedTalk, PlayheadTrack]]:
    """The marked narrations of a folder, parsed from their captions, with their playheads."""
    out = []
    with tempfile.TemporaryDirectory() as scratch:
        for source in narrations_in(folder):
            prepare(source, Path(scratch))
            stem = Path(scratch) / source.stem
            talk = parse_talk(read_transcript(Path(f"{stem}.vtt")))
            doc = by_sentences_of(talk, json.loads(source.read_text(encoding="utf-8")))
            out.append((doc, talk, read_playhead(Path(f"{stem}.playhead.csv"))))
    return out


@dataclass(frozen=True, slots=True)
class MarkedTalk:
    """One marked narration with all that the fits look at."""

    doc: dict[str, Any]
    talk: ParsedTalk
    evidence: list[Evidence]
    candidates: list[Candidate]
    statuses: list[tuple[tuple[float, ...], str]]
    """Features and marked status of each marked mention that is no preview."""
    doers: list[MarkedDoer]
    numbers: MarkedNumbers
    read: NDArray[np.float64]
    """What the reader says for the candidates."""

    def is_marked(self) -> list[bool]:
        """For each candidate whether its sentence is marked with its principle."""
        marks = {(m["sentence"], m["principle"]) for m in self.doc["mentions"]}
        return [(c.sentence, c.principle_id) in marks for c in self.candidates]


@dataclass(frozen=True, slots=True)
class Finders:
    """All that looks at a talk before anything is decided."""

    lexicon: Lexicon
    meaning: MeaningFinder
    ngrams: NgramFinder
    phrases: PhraseFinder
    reader: Reader | None
    """None as if there were none."""
    acts: ActClassifier
    outcomes: OutcomeClassifier

    @classmethod
    def load(cls) -> Finders:
        """Those of the shipped lexicon; the head of the finder by meaning is taught again where the lexicon or the encoder has changed.

        Raises:
            SystemExit: a package with weights is not installed.
        """
        plain, adapted, large = load_encoder(adapted=False), load_encoder(), load_encoder(LARGE, threads=2)
        if plain is None or adapted is None or large is None:
            raise SystemExit("a package with weights is not installed")
        lexicon = load_lexicon()
        if shipped_for() != (digest := taught_by(lexicon, adapted)):
            ship_head(train_head(lexicon, adapted), digest)
        return cls(
            lexicon, MeaningFinder(lexicon, adapted), NgramFinder(lexicon), PhraseFinder(lexicon), Reader(lexicon, large),
            ActClassifier(plain), OutcomeClassifier(plain),
        )  # fmt: skip

    def judged_acts(self, talk: ParsedTalk) -> NDArray[np.float32]:
        """What each sentence of a talk does in it, shape (sentences, 12)."""
        return self.acts.judge_talk([s.sentence.text for s in talk.sentences])


def look_at(folder: Path, finders: Finders) -> list[MarkedTalk]:
    """Read the marked narrations of a folder as the pipeline would, up to the decisions."""
    out = []
    for doc, talk, track in load_narrations(folder):
        judged = finders.judged_acts(talk)
        people = PeopleResolver(talk, roster_of(doc), finders.lexicon)
        reading = finders.reader.read(talk, people) if finders.reader else Reading.silent(talk)
        references = [people.references(s.index) for s in talk.sentences]
        # The true possessions, so that the fit of the mentions does not learn the faults of the other fit.
        spans = marked_possessions(doc)
        candidates = gather_candidates(
            talk, finders.meaning, finders.ngrams, finders.phrases.find(talk), references, judged, spans, reading
        )
        statuses = []
        quoted = [quoted_span(talk, m["sentence"], m["quote"]) for m in doc["mentions"]]
        for mark, span in zip(doc["mentions"], quoted, strict=True):
            if mark["kind"] == "preview" or span is None or mark["principle"] not in finders.meaning.ids:
                continue
            text = plain_words(talk, span, references[mark["sentence"]])
            say, lacking, failing = map(float, finders.meaning.judge([text]).kinds[0, finders.meaning.ids.index(mark["principle"])])
            cues = status_cues(talk, talk.sentences[mark["sentence"]], span)
            failed = float(finders.outcomes.failed([rest_of_sentence(talk, span)])[0])
            read = None if reading.is_silent else reading.status(span, mark["principle"])
            statuses.append((status_features(cues, (say, lacking, failing), failed, read), mark["status"]))
        evidence, doers = gather_evidence(talk, track, judged, reading), marked_doers(doc, talk, people, reading, quoted)
        said = opinion(reading, talk, candidates)
        out.append(MarkedTalk(doc, talk, evidence, candidates, statuses, doers, marked_numbers(doc, talk), said))
    return out
