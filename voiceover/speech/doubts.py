"""When not to believe the recogniser: speech without words, loops, and words made of nothing but the hint.

Whisper invents sentences where nobody speaks, repeats itself, and now and then drops a whole stretch. Each sign here is
cheap and leads to a second listening without the hint, or to words that are left out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from voiceover.speech.hint import Hint, bare_words
from voiceover.speech.islands import Piece
from voiceover.speech.transcript import Word

# Sources of these three: faster-whisper 1.2.1, transcribe(): compression_ratio_threshold, log_prob_threshold,
# no_speech_threshold.
MAX_COMPRESSION = 2.4
MIN_LOG_PROBABILITY = -1.0
MAX_NO_SPEECH = 0.6
# Speech this long without a single word is a stretch that was lost.
MAX_UNHEARD_S = 1.2
# Nobody speaks slower than this over a whole piece, words per second of speech; the corpus has 2 to 4.
MIN_WORDS_PER_S = 0.7
# The same words more often than this in a row are a loop: people say "no, no, no, no" but not seven times.
MAX_REPEATS = 6
MAX_LOOP_WORDS = 8
# A short island that stands alone, of which neither the detector nor the recogniser is sure: a laugh, a cough, a puck.
LONE_ISLAND_S = 0.7
LONE_SPEECH_PROBABILITY = 0.75
LONE_WORD_PROBABILITY = 0.5


@dataclass(frozen=True, slots=True)
class Reading:
    """What one listening to a piece gave."""

    words: tuple[tuple[Word, int], ...]
    """Words on the narration clock, each with the index of its island."""
    log_probability: float
    no_speech: float
    compression: float


def is_doubtful(piece: Piece, reading: Reading, hint: Hint | None) -> bool:
    """Whether a piece should be listened to again without the hint."""
    if unheard_s(piece, reading) > MAX_UNHEARD_S or loops(reading):
        return True
    if piece.speech_s > 3.0 and len(reading.words) < MIN_WORDS_PER_S * piece.speech_s:
        return True
    return hint is not None and only_hint(reading, hint)


def better(piece: Piece, first: Reading, second: Reading) -> Reading:
    """The one of two readings to keep: no loop, then least speech without words, then the more probable one."""

    def badness(reading: Reading) -> tuple[bool, float, float]:
        lost_s = unheard_s(piece, reading)
        return loops(reading), lost_s if lost_s > MAX_UNHEARD_S else 0.0, -reading.log_probability

    return min(first, second, key=badness)


def unheard_s(piece: Piece, reading: Reading) -> float:
    """Seconds of speech in islands without a word, or swallowed by a word that is far too long."""
    homes = {home for _, home in reading.words}
    lost = sum(p.island.length_s for i, p in enumerate(piece.parts) if i not in homes and p.island.length_s >= 0.4)
    stretched = (w.end_narration_s - w.start_narration_s - 0.12 * len(w.text) for w, _ in reading.words)
    return lost + sum(over for over in stretched if over > 1.0)


def loops(reading: Reading) -> bool:
    """Whether the recogniser got stuck."""
    words = [w.text for w, _ in reading.words]
    return reading.compression > MAX_COMPRESSION or find_loop(words) is not None


def find_loop(words: Sequence[str]) -> tuple[int, int] | None:
    """First run of words that repeats too often: its start and the end of its last repetition, else None.

    >>> find_loop("go to the net net net net net net net net now".split())
    (3, 11)
    >>> find_loop("no no no get it out".split()) is None
    True
    """
    bare = [(bare_words(w) or [w])[0] for w in words]
    for length in range(1, MAX_LOOP_WORDS + 1):
        limit = MAX_REPEATS if length == 1 else max(3, MAX_REPEATS // 2)
        for start in range(len(bare) - length * (limit + 1) + 1):
            unit = bare[start : start + length]
            stop = start + length
            while bare[stop : stop + length] == unit:
                stop += length
            if (stop - start) // length > limit:
                return start, stop
    return None


def without_loops(reading: Reading) -> Reading:
    """The reading with each loop cut down to one round."""
    words = list(reading.words)
    while (found := find_loop([w.text for w, _ in words])) is not None:
        start, stop = found
        bare = [w.text for w, _ in words[start:stop]]
        length = next(n for n in range(1, len(bare) + 1) if _is_period(bare, n))
        words[start + length : stop] = []
    return Reading(tuple(words), reading.log_probability, reading.no_speech, reading.compression)


def _is_period(words: Sequence[str], length: int) -> bool:
    bare = [(bare_words(w) or [w])[0] for w in words]
    return all(bare[i] == bare[i % length] for i in range(len(bare)))


def only_hint(reading: Reading, hint: Hint) -> bool:
    """Whether every word comes from the hint and the recogniser is not sure of them."""
    if not reading.words:
        return False
    texts = [b for w, _ in reading.words for b in bare_words(w.text)]
    sure = sum(w.probability or 0.0 for w, _ in reading.words) / len(reading.words)
    return all(t in hint.words for t in texts) and (sure < 0.6 or reading.no_speech > MAX_NO_SPEECH)


def believable(piece: Piece, reading: Reading, hint: Hint | None) -> Reading:
    """Leave out the words that are no words: the whole reading where nobody spoke, and lone doubtful islands."""
    silent = reading.no_speech > MAX_NO_SPEECH and reading.log_probability < MIN_LOG_PROBABILITY
    if silent or (hint is not None and only_hint(reading, hint)):
        return Reading((), reading.log_probability, reading.no_speech, reading.compression)
    kept: list[tuple[Word, int]] = []
    for i, part in enumerate(piece.parts):
        words = [(w, home) for w, home in reading.words if home == i]
        island = part.island
        if words and island.length_s < LONE_ISLAND_S and _stands_alone(piece, i):
            sure = sum(w.probability or 0.0 for w, _ in words) / len(words)
            if island.probability < LONE_SPEECH_PROBABILITY and sure < LONE_WORD_PROBABILITY:
                continue
        kept.extend(words)
    return Reading(tuple(kept), reading.log_probability, reading.no_speech, reading.compression)


def _stands_alone(piece: Piece, i: int) -> bool:
    """Whether there is a second of silence on both sides of an island."""
    island = piece.parts[i].island
    before = piece.parts[i - 1].island.end_narration_s if i else float("-inf")
    after = piece.parts[i + 1].island.start_narration_s if i + 1 < len(piece.parts) else float("inf")
    return island.start_narration_s - before > 1.0 and after - island.end_narration_s > 1.0
