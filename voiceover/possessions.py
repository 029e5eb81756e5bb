"""Where one possession ends in the talk and the next begins, and how it ended.

A possession begins where the coach says so (numbered: "second touch", "rep three"; or not: "now here he's got it again"),
and the playhead has a word in it: a new possession is rarely announced over a picture that was shown before.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from voiceover.fitted import fitted
from voiceover.mentions.numbers import number_at, ordinal_at
from voiceover.mentions.parse import ParsedSentence, ParsedTalk
from voiceover.mentions.reading import LEAST, PLACES, Reading, log_softmax
from voiceover.playhead.track import PlayheadTrack
from voiceover.talk_acts import ACTS

# What coaches call one time with the puck, or one part of what they show.
UNITS = tuple(
    "touch rep repetition possession turn go look part shift time bit puck play chance retrieval rush entry carry battle stint clip sequence"
    " attempt try visit spell scene situation crack example action segment stab".split()
)


def plural(noun: str) -> str:
    """The plural of a regular noun.

    >>> [plural(n) for n in ("touch", "try", "play", "go", "rep")]
    ['touches', 'tries', 'plays', 'goes', 'reps']
    """
    if noun.endswith("y") and noun[-2] not in "aeiou":
        return f"{noun[:-1]}ies"
    return f"{noun}es" if noun.endswith(("ch", "sh", "s", "o")) else f"{noun}s"


_UNIT = rf"(?:{'|'.join(UNITS)}|touches|ones?|moment|pick-?up|dig|shot at it|yin|yan)"
_UNITS = rf"(?:{'|'.join(plural(u) for u in UNITS)})"
# An ordinal in front of these counts something else than possessions.
_NO_UNIT = r"(?:effort|wave|layer|man|men|guy|fella|forward|defender|d|d-man|period|half|post|row|line|unit|team|year|assist|thing|principle|goal|of|he|she|they|you|it|we|i)"
_NUMBERED = re.compile(
    rf"^(?:(?:okay|ok|so|now|and|then|right|alright|well|here we go|all right|here's|here is|this is|that's|it's|on to|onto|next up|the|his|her|their|your|our|"
    rf"a|uh|um|but|ladies|boys|girls|guys|lads|good|yeah|moving on to|let's see|we go to|we come to|look at|take),?\s+)*"
    rf"(?:(?:on|for) the (?P<on>[a-z]+)(?:,|\s+(?:he|she|you|they|we|it)\b)|(?:{_UNIT}|number|touch number|rep number)\s+(?P<card>[a-z0-9-]+)|(?P<ord>[a-z0-9]+(?:'s)?)\s+(?:and last|{_UNIT}|part|,)|(?P<counted>(?!first|last|final)[a-z]+)\s+(?!{_NO_UNIT}\b)[a-z]+|(?P<bare>[a-z]+(?:'s)?)[,.])",
    re.IGNORECASE,
)
# "And here is one more, a small one, number four": a number behind words that go on to another.
_NAMED = re.compile(rf"\b(?:number|{_UNIT}) (?P<card>two|three|four|five|six|seven|eight|nine|ten)\b", re.IGNORECASE)
_NEXT = re.compile(
    rf"\b(?:next (?:one|rep|touch|up|puck|shift|{_UNIT})|another (?:one|{_UNIT})|new shift|go again|(?:and |the |his |her )?last (?:one|rep|touch|{_UNIT})|"
    r"(?:he|she|you|they)(?:'s|'ve| has| have)? (?:got|gets|get|picks|pick|has|have|wins|win|collects|receives) (?:it|the puck|one)(?: up)? (?:again|back|a (?:second|third|fourth|fifth) time)|"
    r"(?:it|the puck)(?:'s| is)? (?:comes?|coming|goes|pops|squirts|finds)[a-z ]{0,14}\b(?:back )?(?:to|for|at) (?:him|her|you)\b|same spot|"
    r"(?:this|here) is (?:the )?(?:one|another)|(?:here|there)(?:'s| is) (?:one more|another)|now here|here (?:it is|he is|she is|we go|you go) again|the one i wanted|moving on|carry on|and then this one|"
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
    r"(?:so,?\s*)?(?:that's|that is|that was|it was|it were|there's|there were|we have|we had|i had|i have|i count|i counted|i make it|tot|add|i've got|what's that|what is that)?.{0,22}"
    rf"\b(?:one|two|three|four|five|six|seven|eight|nine|ten)\b.{{0,24}}\b(?:touch|rep|{_UNITS})\b",
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
_RUNNING = re.compile(r"\bthat(?:'s| is| makes)(?: it)? (one|two|three|four|five|six|seven|eight|nine|ten)\b", re.IGNORECASE)
_JOINT = re.compile(r"(?:okay|ok|so|now|and then|alright|right|then|here|last|next)\b", re.IGNORECASE)
# Log of the probability of an act where there is no sentence.
NO_ACT = float(np.log(0.01))
# Places in ACTS: plain play, the last of them, and those that count in the sentences before and after.
PLAY = ACTS.index("play")
BEFORE = tuple(map(ACTS.index, ("next", "again", "closing", "opening")))
AFTER = tuple(map(ACTS.index, ("next", "again", "closing")))
# What the count says: a number that fits the count so far, or one that skips some. 2 and 3 are equally
# good with each narration held out in turn; skipping for nothing is worse.
WORTH_OF_FITTING_NUMBER = 3.0
COST_OF_SKIPPED_NUMBER = 0.7
# "That's two" has just ended the second one; 1.5 and 3 are equally good with each narration held out in turn.
WORTH_OF_COUNTED_END = 1.5
# Added to the log odds of a beginning: the model is fitted sentence by sentence, where one in ten begins a possession, and is
# too shy for counting them. With an eighth of the narrations held out in turn 0.5 counts four of 75 fewer exactly.
BIAS_OF_BEGINNING = 1.0
# Sentences about one possession, as a log-normal distribution. Whoever talks for longer says more of each: its middle grows with the square root
# of the sentences of the talk (in the narrations that taught the reader by the power 0.51 from 1.04 on, in the public ones 0.47 from 1.3 on);
# a longer talk than any of them is taken the more for several of a usual one (both guesses). With a deviation of 0.3 to 0.5 the same number of 75
# narrations, but for two, is counted exactly with an eighth held out in turn.
USUAL_LENGTH_OF_ONE, USUAL_TALK, LONGEST_TALK, LENGTH_DEVIATION = 1.1, 40, 110, 0.4
# The curve says 7 against a possession of one sentence. One is sixty times rarer than one of six (1 and some 60 of 310), which is 4 in log odds, but the words
# that begin the next say a part of that already: with an eighth held out in turn, stretches of our own narrations overlap by 0.938 at 1 to 2,
# 0.924 at 4, and at 1 four fewer are counted exactly.
MOST_FOR_SHORT = 2.0
# "Rep one" opens the first possession; 2 to 4 are equally good.
WORTH_OF_FIRST = 3.0
# So many ways through the talk are followed at once. Guess, not measured: in talks of up to 200 sentences all ways give the same.
WAYS = 400
# Every marked talk has a closing, so that the models take the last sentence of any talk for one; a coach may as well stop with the last possession. The
# closings of 99 narrations are found alike at 0 to 4; of the 16 public ones cut off behind the last possession 9 end where they should at 0, and 14 at 4.
COST_OF_CLOSING = 4.0
# "Back to the second one for a moment" opens no possession, however much it sounds like a beginning.
COST_OF_REOPENING = 4.0


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


def split_possessions(
    talk: ParsedTalk, playhead: PlayheadTrack | None, *, players: Sequence[str] = (), acts: NDArray[np.float32], reading: Reading
) -> list[Possession]:
    """Find the possessions of a talk.

    Args:
        talk: the parsed narration.
        playhead: where the clip stands; None where that is not known.
        players: names of the players in focus; the first is taken where only one is.
        acts: what each sentence does in the talk, shape (sentences, 12), as `ActClassifier.judge_talk` gives it.
        reading: what the reader thinks of the talk.
    Returns:
        The possessions in order; none for no sentences.
    """
    if not talk.sentences:
        return []
    evidence = gather_evidence(talk, playhead, acts, reading)
    starts, end = best_path(evidence, load_weights())
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


@dataclass(frozen=True, slots=True)
class Evidence:
    """What one sentence says about where it stands in the talk."""

    number: int | None
    """The number under which it opens a possession; -1 for "last"; None for no such opening."""
    after: int | None
    """The number of the possession that the sentence before has just ended ("that's two"); None where it ended none."""
    features: tuple[float, ...]
    """As named in FEATURES."""
    read: tuple[float, ...]
    """As named in READ_FEATURES; empty where there is no reader."""


FEATURES = (
    "next", "again", "reopen", "closing", "opening", "number", "cue", "back", "reopen_words", "summary", "rewound",
    "plays", "played", "running_count", "joint", "short", "position", "past_end", "next_before", "again_before", "closing_before",
    "opening_before", "next_after", "again_after", "closing_after",
    "next_first", "again_first", "reopen_first", "closing_first", "opening_first",
)  # fmt: skip
READ_FEATURES = (
    "read_opening", "read_begins", "read_goes_on", "read_outside", "read_begins_before", "read_begins_after", "read_outside_after",
    "alone_opening", "alone_begins", "alone_goes_on", "alone_outside",
)  # fmt: skip


def gather_evidence(talk: ParsedTalk, playhead: PlayheadTrack | None, acts: NDArray[np.float32], reading: Reading) -> list[Evidence]:
    """Look at every sentence: its words, what it does in the talk, and what the clip does meanwhile.

    Args:
        talk: the parsed narration.
        playhead: where the clip stands; None where that is not known.
        acts: shape (sentences, 12), as `ActClassifier.judge_talk` gives it.
        reading: what the reader thinks of the talk.
    """
    read = _read(reading)
    texts = [s.sentence.text for s in talk.sentences]
    out: list[Evidence] = []
    furthest, played = -1.0, False
    ends_s = _furthest(talk, playhead)
    whole, first_words = np.split(np.log(acts + 0.01), 2, axis=1)
    for i, parsed in enumerate(talk.sentences):
        text = texts[i]
        begin = playhead.narration_to_clip(parsed.sentence.start_narration_s + 0.05) if playhead else None
        middle_s = (parsed.sentence.start_narration_s + parsed.sentence.end_narration_s) / 2
        middle = playhead.narration_to_clip(middle_s) if playhead else None
        rewound = begin is not None and begin.clip_s < furthest - 0.3
        plays = bool(middle and middle.rate > 0)
        number = _number_of(text)
        features = (
            *whole[i, :PLAY],
            number is not None,
            bool(_NEXT.search(text)),
            bool(_BACK.search(text)),
            bool(_REOPEN.search(text)),
            bool(_SUMMARY.search(text)),
            rewound,
            plays,
            played,
            bool(i and _RUNNING.search(texts[i - 1])),
            bool(_JOINT.match(text)),
            len(text.split()) <= 6,
            i / max(1, len(texts) - 1),
            begin is not None and begin.clip_s >= ends_s - 0.5 and furthest >= ends_s - 0.5,
            *(whole[i - 1, act] if i else NO_ACT for act in BEFORE),
            *(whole[i + 1, act] if i + 1 < len(texts) else NO_ACT for act in AFTER),
            *first_words[i, :PLAY],
        )
        out.append(Evidence(number, _ended_number(texts[i - 1]) if i else None, tuple(map(float, features)), read[i]))
        played = plays
        close = playhead.narration_to_clip(parsed.sentence.end_narration_s) if playhead else None
        furthest = max([furthest, *(at.clip_s for at in (begin, close) if at is not None)])
    return out


def _read(reading: Reading) -> list[tuple[float, ...]]:
    """READ_FEATURES of each sentence; empty ones where there is no reader."""
    places = np.maximum(reading.places, LEAST)
    if reading.is_silent:
        return [()] * len(places)
    begins, outside = places[:, PLACES.index("begins")], places[:, PLACES.index("outside")]
    # Before the first sentence and behind the last nothing begins, and all is outside.
    beside = [[LEAST, *begins[:-1]], [*begins[1:], LEAST], [*outside[1:], 0.0]]
    return [tuple(map(float, row)) for row in np.column_stack([places, *beside, np.maximum(reading.places_alone, LEAST)])]


def _furthest(talk: ParsedTalk, playhead: PlayheadTrack | None) -> float:
    """The last clip second that is shown while somebody talks."""
    if playhead is None:
        return math.inf
    at = [playhead.narration_to_clip(s.sentence.end_narration_s) for s in talk.sentences]
    return max((a.clip_s for a in at if a), default=math.inf)


def _number_of(text: str) -> int | None:
    match = _NUMBERED.match(text)
    for group in ("on", "card", "ord", "counted", "bare"):
        word = match.group(group) if match else None
        if not word:
            continue
        word = word.lower().removesuffix("'s")
        if word in {"last", "final"}:
            return -1
        ordinal = ordinal_at([word], 0)
        if ordinal:
            return ordinal
        if group == "card":
            number = number_at([word], 0)
            if number:
                return number[0]
    named = _NAMED.search(text) if _NEXT.search(text) else None
    number = number_at([named.group("card")], 0) if named else None
    return number[0] if number else None


def _ended_number(text: str) -> int | None:
    running = _RUNNING.search(text)
    number = number_at([running.group(1)], 0) if running else None
    return number[0] if number else None


@dataclass(frozen=True, slots=True)
class Weights:
    """Linear models that evaluation/fit.py fits on the marked narrations: first over FEATURES, on those that taught the reader; then over what these say
    and READ_FEATURES, on those that did not. The last column of each is the constant.
    """

    begin: NDArray[np.float64]
    """Log odds that a sentence inside the possessions begins one: shape (len(FEATURES) + 1,)."""
    part: NDArray[np.float64]
    """Log odds of opening, possession and closing: shape (3, len(FEATURES) + 1)."""
    begin_read: NDArray[np.float64]
    """As `begin`, shape (1 + len(READ_FEATURES) + 1,)."""
    part_read: NDArray[np.float64]
    """As `part`, shape (3, 3 + len(READ_FEATURES) + 1)."""

    def judge(self, evidence: Sequence[Evidence]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Log odds that each sentence begins a possession, shape (n,), and log probability of opening, possession and closing, shape (n, 3)."""
        begin, part = self.without_reader(evidence)
        if not all(e.read for e in evidence):
            return begin, part
        read = np.array([[*e.read, 1.0] for e in evidence])
        return np.column_stack([begin, read]) @ self.begin_read, log_softmax(np.column_stack([part, read]) @ self.part_read.T)

    def without_reader(self, evidence: Sequence[Evidence]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """The same by FEATURES alone."""
        x = np.array([[*e.features, 1.0] for e in evidence])
        return x @ self.begin, log_softmax(x @ self.part.T)


@lru_cache(maxsize=1)
def load_weights() -> Weights:
    """The fitted numbers that ship with the tool."""
    kept = fitted("possessions")
    return Weights(*(np.array(kept[name]) for name in ("begin", "part", "begin_read", "part_read")))


def best_path(evidence: Sequence[Evidence], weights: Weights) -> tuple[list[int], int]:
    """Starts of the possessions and where the closing begins: the likeliest way opening → possessions → closing.

    Returns:
        At least one start, in order; and the index behind the last sentence of the last possession.
    """
    n = len(evidence)
    reopens = np.exp([e.features[FEATURES.index("reopen")] for e in evidence])
    begin, part = weights.judge(evidence)
    begin = begin + BIAS_OF_BEGINNING
    opening = np.concatenate([[0.0], np.cumsum(part[:, 0])])
    closing = np.concatenate([np.cumsum(part[::-1, 2])[::-1], [0.0]])
    lengths = _length_scores(n)
    # The least that a possession so long must still pay: else one endless possession, which has not paid yet, crowds out all others.
    to_pay = np.maximum.accumulate(lengths[::-1])[::-1]
    # inside[k, start]: (score, starts) of the best way to stand in possession k, begun at `start`, at the sentence reached so far.
    inside: dict[tuple[int, int], tuple[float, tuple[int, ...]]] = {}
    best: tuple[float, tuple[int, ...], int] = (-math.inf, (0,), n)
    for i, e in enumerate(evidence):
        following: dict[tuple[int, int], tuple[float, tuple[int, ...]]] = {}
        following[1, i] = (opening[i] + part[i, 1] + (WORTH_OF_FIRST if e.number == 1 else 0.0), (i,))
        for (k, start), (score, starts) in inside.items():
            following[k, start] = (score + part[i, 1], starts)
            gain = float(begin[i]) + lengths[i - start]
            if e.number is not None and e.number > 0:
                skipped = abs(e.number - (k + 1))
                gain += WORTH_OF_FITTING_NUMBER if skipped == 0 else -COST_OF_SKIPPED_NUMBER * skipped
            if e.after is not None and e.after == k:
                gain += WORTH_OF_COUNTED_END
            if reopens[i] > 0.3:
                gain -= COST_OF_REOPENING * reopens[i]
            following[k + 1, i] = max(following.get((k + 1, i), (-math.inf, ())), (score + part[i, 1] + gain, (*starts, i)))
        hopeful = sorted(following.items(), key=lambda item: -(item[1][0] + to_pay[i + 1 - item[0][1]]))
        inside = dict(hopeful[:WAYS])
        for (_, start), (score, starts) in inside.items():
            total = score + lengths[i + 1 - start] + closing[i + 1] - (COST_OF_CLOSING if i + 1 < n else 0.0)
            if total > best[0]:
                best = (total, starts, i + 1)
    return list(best[1]), best[2]


def _length_scores(n: int) -> NDArray[np.float64]:
    """What a possession of so many sentences adds to the log odds in a talk of n: shape (n + 1,), 0 for the likeliest length.

    From twice the usual length on it falls in a straight line, so that an endless possession never becomes cheaper than many.
    """
    of_one_clip = min(n, max(USUAL_TALK, LONGEST_TALK**2 / n))
    usual = USUAL_LENGTH_OF_ONE * math.sqrt(of_one_clip)
    length = np.maximum(np.arange(n + 1), 0.5)
    near = np.minimum(length, 2 * usual)
    slope = np.log(2) / (LENGTH_DEVIATION**2 * 2 * usual)
    of_length = np.minimum((np.log(near / usual) / LENGTH_DEVIATION) ** 2 / 2, MOST_FOR_SHORT)
    return np.asarray(-of_length - slope * (length - near))


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
