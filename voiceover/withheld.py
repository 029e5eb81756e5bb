"""What a reviewer keeps back from the player: which words of a talk are kept back, and the stretches that they make."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence

from voiceover.breakdown import Breakdown
from voiceover.speech.transcript import Word

# A stretch ends at least this much behind the beginning of its last word, seconds: far below any time that is written down.
SHORTEST_S = 1e-6


def withheld_words(b: Breakdown) -> list[bool]:
    """For each word of a breakdown whether it is kept back: in a stretch that is, or quoted by mentions that are and by no others."""
    quoted = {i for m in b.mentions if m.withheld for i in range(m.first, m.last + 1)}
    shown = {i for m in b.mentions if not m.withheld for i in range(m.first, m.last + 1)}
    kept_back = words_in(b.words, b.withheld) | (quoted - shown)
    return [i in kept_back for i in range(len(b.words))]


def words_in(words: Sequence[Word], stretches: Iterable[tuple[float, float]]) -> set[int]:
    """Index of each word that begins in one of some stretches, narration seconds, their ends not included."""
    spans = list(stretches)
    return {i for i, w in enumerate(words) if any(start <= w.start_narration_s < end for start, end in spans)}


def stretches_over(words: Sequence[Word], chosen: Collection[int]) -> list[tuple[float, float]]:
    """The stretches of the talk, narration seconds, in which the chosen words begin and no others.

    Words that begin at the same time cannot be told apart so: if one of them is chosen, all are in the stretch.
    """
    out = []
    for first, last in runs(chosen):
        run = words[first : last + 1]
        last_s = max(w.start_narration_s for w in run)
        end_s = max(w.end_narration_s for w in run)
        following = next((w.start_narration_s for w in words[last + 1 :] if w.start_narration_s > last_s), end_s)
        # A word without length is in it too.
        out.append((min(w.start_narration_s for w in run), max(min(end_s, following), last_s + SHORTEST_S)))
    return out


def runs(chosen: Collection[int]) -> list[tuple[int, int]]:
    """First and last of each run of indices that follow each other.

    >>> runs({4, 1, 2})
    [(1, 2), (4, 4)]
    """
    out: list[tuple[int, int]] = []
    for i in sorted(chosen):
        if out and i == out[-1][1] + 1:
            out[-1] = (out[-1][0], i)
        else:
            out.append((i, i))
    return out
