"""Where one possession ends in the talk and the next begins, and how it ended.

A possession begins where the coach says so (numbered: "second touch", "rep three"; or not: "now here he's got it again"),
and the playhead has a word in it: a new possession is rarely announced over a picture that was shown before.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass

from voiceover.mentions.numbers import number_at, ordinal_at
from voiceover.mentions.parse import ParsedSentence, ParsedTalk
from voiceover.playhead.track import PlayheadTrack

_UNIT = (
    r"(?:touch|touches|rep|reps|one|ones|possession|turn|go|look|part|shift|time|bit|puck|play|chance|retrieval|rush|entry|carry|battle|"
    r"stint|clip|sequence|attempt|try|pick-?up|visit|spell)"
)
_NUMBERED = re.compile(
    rf"^(?:(?:okay|ok|so|now|and|then|right|alright|well|here we go|all right|here's|here is|this is|that's|it's|on to|onto|next up|the|his|her|their|your|our|"
    rf"a|uh|um|but|ladies|boys|girls|guys|lads|good|yeah|moving on to|let's see|we go to|we come to|look at|take),?\s+)*"
    rf"(?:(?:{_UNIT}|number|touch number|rep number)\s+(?P<card>[a-z0-9-]+)|(?P<ord>[a-z0-9]+)\s+(?:and last|{_UNIT}|part|,)|(?P<bare>[a-z]+),)",
    re.IGNORECASE,
)
_NEXT = re.compile(
    rf"\b(?:next (?:one|rep|touch|up|puck|shift|{_UNIT})|another (?:one|{_UNIT})|new shift|go again|(?:and |the |his |her )?last (?:one|rep|touch|{_UNIT})|"
    r"(?:he|she|you|they)(?:'s|'ve| has| have)? (?:got|gets|get|picks|pick|has|have|wins|win|collects|receives) (?:it|the puck|one)(?: up)? (?:again|back|a (?:second|third|fourth|fifth) time)|"
    r"(?:it|the puck)(?:'s| is)? (?:comes?|coming|goes|pops|squirts|finds)[a-z ]{0,14}\b(?:back )?(?:to|for|at) (?:him|her|you)\b|same spot|"
    r"(?:this|here) is (?:the )?(?:one|another)|now here|here (?:it is|he is|she is|we go|you go) again|the one i wanted|moving on|carry on|and then this one|"
    r"(?:a )?(?:second|third|fourth|fifth|sixth) (?:time|touch|one)|later in the|the shift after)\b",
    re.IGNORECASE,
)
_BACK = re.compile(
    r"\b(?:go(?:ing|ne)? back|back (?:it|that|this)? ?up|rewind|again|once more|one more (?:time|look)|run (?:it|that) back|take (?:it|that) back|"
    r"see that again|cycle back|let's (?:have|see) (?:it|that) again|from the (?:goalie|other)|same one|slow(?:er| motion|ly)?)\b",
    re.IGNORECASE,
)
_REOPEN = re.compile(
    r"\b(?:(?:go|gone|going|come|coming|back|return)\b.{0,24}\b(?:first|second|third|earlier|other|one before|start|beginning)|before (?:we|you|i) (?:finish|go|get|leave)|"
    r"i (?:forgot|left|missed) something|one (?:moment|more thing))\b",
    re.IGNORECASE,
)
_SUMMARY = re.compile(
    r"^(?:so|okay|ok|alright|right|anyway|anyhow|well|and|all in all|overall|in all|to sum up|in summary|altogether|bottom line|final|finally|now)?,?\s*"
    r"(?:so,?\s*)?(?:that's|that is|that was|there's|there were|we have|we had|i had|i have|i count|i counted|i make it|tot|add|i've got|what's that|what is that)?.{0,22}"
    r"\b(?:one|two|three|four|five|six|seven|eight|nine|ten)\b.{0,24}\b(?:touch|touches|reps?|possessions?|turns|goes|looks|parts|times|shifts)\b",
    re.IGNORECASE,
)
_ENDED = [
    ("goal", r"\b(?:goal|scores?|in the net|back of the net|it's in|tap in|top (?:corner|shelf)|buried|trickles over|and in|it goes in)\b|^in[,.!]"),
    ("turnover", r"\b(?:turnover|gives? it away|picked off|intercepted|lost it|loses it|stolen|takes? it away|the other way|it's gone|their (?:puck|guy)|threw it away|stripped)\b"),
    ("shot", r"\b(?:shot|shoots?|saved?|pad|wide|off the (?:post|bar)|rings it|one-timer|whacks|stopped it)\b"),
    ("exit", r"\b(?:out of (?:the|our) (?:zone|end)|it's out|out over the line|over our (?:own )?line|off the glass and out|skates it out|carries it out|clears?|it's ours)\b"),
    ("entry", r"\b(?:over the (?:blue ?)?line|into the zone|in behind|dumps? it in|gains the line|over their (?:blue ?)?line)\b"),
    ("whistle", r"\b(?:whistle|offside|frozen|faceoff|out of play|under the jackets)\b"),
    ("pass", r"\b(?:pass|passes|gives? it|moves? it|dishes|feeds|slides it|over to|back to|up to|across to|finds|hits|puts it|short to)\b"),
]  # fmt: skip
# What a beginning costs and what speaks for it, in nats. Fitted by hand on the 16 public narrations.
COST_OF_BEGINNING = 2.6
WORTH_OF_ORDINAL = 4.5
WORTH_OF_CUE = 3.2
WORTH_OF_FIRST_PLAY = 2.0
COST_OF_REWIND = 2.5
WORTH_OF_SUMMARY = 4.0


@dataclass(frozen=True, slots=True)
class Possession:
    """One stretch of the talk about one time that a focus player has the puck."""

    number: int
    """Counts up from 1."""
    first_sentence: int
    last_sentence: int
    """Index of its last sentence, inclusive."""
    start_narration_s: float
    end_narration_s: float
    player: str = ""
    ended: str = ""
    """pass, shot, goal, turnover, exit, entry or whistle; empty where the coach does not say."""
    quote: str = ""
    """The sentence that opens it."""


def split_possessions(talk: ParsedTalk, playhead: PlayheadTrack | None, *, players: Sequence[str] = ()) -> list[Possession]:
    """Find the possessions of a talk.

    Args:
        talk: the parsed narration.
        playhead: where the clip stands; None where that is not known.
        players: names of the players in focus; the first is taken where only one is.
    Returns:
        The possessions in order; none for no sentences.
    """
    if not talk.sentences:
        return []
    starts, end = _best_path([_Evidence(talk, s, playhead) for s in talk.sentences])
    out = []
    for number, first in enumerate(starts, start=1):
        last = (starts[number] if number < len(starts) else end) - 1
        run = talk.sentences[first : last + 1]
        out.append(
            Possession(
                number,
                first,
                last,
                run[0].sentence.start_narration_s,
                run[-1].sentence.end_narration_s,
                players[0] if players else "",
                _how_ended(run),
                run[0].sentence.text,
            )
        )
    return out


class _Evidence:
    """What one sentence says about where it stands in the talk."""

    def __init__(self, talk: ParsedTalk, parsed: ParsedSentence, playhead: PlayheadTrack | None) -> None:
        self.text = parsed.sentence.text
        self.number = _number_of(self.text)
        self.next = bool(_NEXT.search(self.text))
        self.back = bool(_BACK.search(self.text))
        self.reopen = bool(_REOPEN.search(self.text))
        self.summary = bool(_SUMMARY.search(self.text))
        self.clip_s: float | None = None
        self.plays = False
        if playhead is not None:
            at = playhead.narration_to_clip((parsed.sentence.start_narration_s + parsed.sentence.end_narration_s) / 2)
            begin = playhead.narration_to_clip(parsed.sentence.start_narration_s + 0.05)
            self.clip_s = begin.clip_s if begin else None
            self.plays = bool(at and at.rate > 0)


def _number_of(text: str) -> int | None:
    """The number under which a sentence opens a possession; -1 for "last", None for no such opening."""
    match = _NUMBERED.match(text)
    if not match:
        return None
    for group in ("card", "ord", "bare"):
        word = match.group(group)
        if not word:
            continue
        if word.lower() in {"last", "final"}:
            return -1
        ordinal = ordinal_at([word], 0)
        if ordinal:
            return ordinal
        if group == "card":
            number = number_at([word], 0)
            if number:
                return number[0]
    return None


def _best_path(evidence: Sequence[_Evidence]) -> tuple[list[int], int]:
    """Starts of the possessions, and where the closing begins, by the cheapest way through the talk."""
    n = len(evidence)
    # best[k]: score of being inside possession k (0: the opening), with the starts so far.
    best: dict[int, tuple[float, tuple[int, ...]]] = {0: (0.0, ())}
    closing: list[tuple[float, tuple[int, ...], int]] = []
    seen_clip = -1.0
    for i, e in enumerate(evidence):
        rewound = e.clip_s is not None and e.clip_s < seen_clip - 0.3
        if e.clip_s is not None:
            seen_clip = max(seen_clip, e.clip_s)
        following: dict[int, tuple[float, tuple[int, ...]]] = {}

        def offer(k: int, score: float, starts: tuple[int, ...], into: dict[int, tuple[float, tuple[int, ...]]] = following) -> None:
            if k not in into or score > into[k][0]:
                into[k] = (score, starts)

        for k, (score, starts) in best.items():
            stay = 0.0
            if k == 0 and e.plays:
                stay -= WORTH_OF_FIRST_PLAY
            offer(k, score + stay, starts)
            if k > 0:
                left = n - i
                gain = (WORTH_OF_SUMMARY if e.summary else 0.0) + (WORTH_OF_SUMMARY - 1 if e.reopen else 0.0)
                if e.plays and not rewound:
                    gain -= 3.0
                closing.append((score + gain - 1.5 - 0.35 * max(0, left - 4), starts, i))
            begin = -COST_OF_BEGINNING if k else -0.5
            if e.number is not None and (e.number == k + 1 or (e.number == -1 and k > 0)):
                begin += WORTH_OF_ORDINAL
            elif e.number is not None and k + 1 < e.number:
                begin += WORTH_OF_ORDINAL / 2 - (e.number - k - 1)
            if e.next and (e.number is None or e.number == -1):
                begin += WORTH_OF_CUE
            if e.back and not e.next and e.number is None:
                begin -= 1.5
            if rewound:
                begin -= COST_OF_REWIND
            if e.summary or e.reopen:
                begin -= 2.0
            if i and starts and i - starts[-1] < 2:
                begin -= 1.0
            offer(k + 1, score + begin, (*starts, i))
        best = following
    finished = [(score, starts, n) for k, (score, starts) in best.items() if k > 0] + closing
    if not finished:
        return [0], n
    _, starts, end = max(finished, key=lambda f: (f[0], -f[2]))
    return list(starts), end


def _how_ended(run: Sequence[ParsedSentence]) -> str:
    """How a possession ended: what was said last about it, the surer kinds first within a sentence."""
    best, found = -math.inf, ""
    for i, parsed in enumerate(run):
        for rank, (ended, pattern) in enumerate(_ENDED):
            if re.search(pattern, parsed.sentence.text, re.IGNORECASE):
                score = 1.0 * i - 0.6 * rank
                if score > best:
                    best, found = score, ended
                break
    return found
