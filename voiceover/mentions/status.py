"""Executed, attempted or missed: from wishes, negation and its scope, and how it came out."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from voiceover.fitted import fitted
from voiceover.mentions.parse import ParsedSentence, ParsedTalk, Span

_WISH = re.compile(
    r"\b(?:i'd|we'd|you'd|he'd|she'd|i would|we would)(?: really| still| just| only)*"
    r" (?:love|like|want|rather|prefer|ask|take|need|wish|have (?:loved|liked|wanted|taken|asked|preferred|hoped))\b"
    r"|\b(?:i|we)(?: really| still| just| only| have)? (?:want|wanted|rather|prefer|hoped|ask|asked|need|wish)\b"
    r"|\b(?:would|could|should|might|coulda|shoulda|woulda|must)(?:'ve| have| of)\b|\b(?:could|should) (?:just|only|be|\w+ )"
    r"|\bcould(?:a)?\b(?=[^,.]*\b(?:there|here|instead|if)\b)"
    r"|\b(?:ha(?:s|ve)|'s|'ve|gotta|need|needs|needed|ought|supposed)(?: got)? to\b|\bgotta\b|\bmust\b|\bshould\b|\bought(?:a| to)?\b|\bwhat i (?:don't|didn't|never) see\b"
    r"|\bwhat (?:i|we|i'd|we'd)\b.*\b(?:like|love|want|wanted|hoping|hoped)\b|\bi was hoping\b|\bhoping for\b"
    r"|\bwould(?:'ve)? rather\b|\bwould be (?:nice|better|lovely|good)\b"
    r"|\b(?:all|what) (?:he|she|you|they|it) need(?:s|ed)?\b|\bwhy (?:not|don't|doesn't|didn't)\b|\bwhere(?:'s| is| was) (?:the|that|his|her|your|my)\b"
    r"|\bnext time\b|\bhomework\b|\b(?:is|was|were|are) missing\b|\black(?:s|ed|ing)\b|\bif (?:you|he|she|they) (?:get|just|only|would|had|do|does|did)\b"
    r"|\bthe only thing\b|\bwish\b|\bforg[eo]t\w*\b",
    re.IGNORECASE,
)
# What did not happen: "if he'd put the hammer down", "had she looked", "if there'd been a body".
_IF = re.compile(
    r"(?<!as )\bif (?:he|she|you|they|there|we|i|it)(?:'d| had|'m| was| were| am| just| only)\b|\b(?:had|were) (?:he|she|you|they|there) |\bin a perfect world\b"
    r"|\bif only\b|\bif (?:he|she|you|they) \w+(?:s|ed)\b",
    re.IGNORECASE,
)
# A wish that comes behind: "a glance before that wouldn't have hurt", "shouting, that's the homework".
_WISH_BEHIND = re.compile(
    r"\bwould(?:n't)?(?:'ve| have| of)? (?:hurt|been|be|do|helped|worked|done|saved|won)\b|\b(?:was|is|were|would be) better\b|\bmissing\b"
    r"|\bnext (?:time|week)\b|\bhomework\b|\bthat's (?:all|what) (?:i|we) (?:want|need|ask)\b|\b(?:and|but) (?:he|she|you|they) (?:did|do|does)n't\b"
    r"|\bin a perfect world\b|\bthat's (?:the|for) (?:play|one thing|next|\w+day)\b",
    re.IGNORECASE,
)
_INSTEAD = re.compile(r"\b(?:instead|rather than)\b", re.IGNORECASE)
_TURNS = re.compile(r"\W*(?:but|only|except|and no|nope|though|although|yet)\b", re.IGNORECASE)
# So many words before or behind the telling may still be about it. Guess, not measured.
NEAR = 9
# Obligation that tells what is being done well is no wish: "you have to like".
_NO_WISH = re.compile(
    r"\b(?:have|has|got|gotta|need|needs)(?: got)? to (?:like|love|say|admit|laugh|see|watch|give|turn|chase|respect|hand|look)\b"
    r"|\bi (?:want|like|love|wanted)(?: you| y'all| everybody| the whole room)? (?:to )?(?:watch|look|see|show|talk|it|that|this|the|how|what|his|her)\b"
    r"|\bdon't (?:have|need) to\b|\b(?:must|should) be (?:proud|happy)\b|\bcould(?:n't)? (?:see|hear|shake|park|drive|read|put|fit|land|smell|feel|tell|count|set|cut|sell|shoot|pass)\b|\bi needed\b"
    r"|\b(?:so|and|till|until|because|which means) (?:their|his|her|the|that|he|she|they)(?: \w+)?(?:'s|'ve)? (?:ha(?:s|ve) to|ha(?:s|ve) got to|gotta|must|need(?:s|ed)? to)\b"
    r"|\byou take (?:mine|yours|his|hers)\b|\bi(?:'ll)? take (?:yours|his|hers|him|her)\b",
    re.IGNORECASE,
)
_NEGATION = re.compile(
    r"\b(?:no|not|never|nobody|none|nothing|nowhere|neither|nor|without|wi'out|hardly|barely|zero|nope|ain't|cannot|isn't|wasn't|"
    r"doesn't|don't|didn't|won't|can't|couldn't|hasn't|haven't|hadn't|wouldn't|shouldn't|aren't|weren't)\b",
    re.IGNORECASE,
)
# A thing that does not arrive was sent: "the return pass never comes" tells a failure, where "she never comes back" tells a lack.
_NEVER_ARRIVES = re.compile(
    r"\b(?:it|that|which|(?:the|his|her|their|your|my|that|this|a)(?: \w+)? (?:pass|puck|feed|one|return|lift|shot|saucer|flip|chip|bump|drop|dish|rim|tip|bank|ball"
    r"|delivery|present|thing|move|fake|trick|dangle|deke))"
    r" (?:just |really |quite |simply )?(?:never|doesn't|don't|didn't|won't|can't|couldn't|wouldn't)(?: quite| really| ever)?"
    r" (?:gets?|comes?|came|arrives?|arrived|reach\w*|connect\w*|lands?|works?|worked|finds?|found|makes?|made|rises?)\b",
    re.IGNORECASE,
)
# Negated, these are praise: "never stops moving his feet", "doesn't quit on it".
_STOPPING = re.compile(
    r"\b(?:stop|stops|stopped|stopping|quit|quits|quitting|give[sn]? up|gave up|giving up|hesitat\w*|panic\w*|wait|waits|waited|let up|lets up|"
    r"back down|back off|rush\w*|force\w*|bite|bites|look(?:s|ing|ed)? down|go down|goes down|fall asleep|waste\w*|dust\w*|stand\w* still|"
    r"glid\w*|coast\w*|cheat\w*|lose|loses|lost|stay down|pack it in|think\w*|fuss\w*|cough\w*|let go|settl\w*|handle\w*|sleep\w*|miss\w*|stare\w*|"
    r"done|over|finished|afraid|scared|shy|slow\w*|walk\w* away|turn\w* away|stickhandle\w*|hang\w* about|mess\w*|hurry|reach\w*|drop\w*)\b",
    re.IGNORECASE,
)
_TRY = re.compile(
    r"\b(?:tr(?:y|ies|ied|ying)|attempt\w*|want(?:s|ed)? to|look(?:s|ing|ed) to|go(?:es|ing)? for (?:it|the|a|that)|gone for|went for|think(?:s|ing)? about|"
    r"the (?:right )?idea|meant to|was going to|almost|nearly|not quite|just misses|half\b.*\b(?:of|a))\b",
    re.IGNORECASE,
)
_FAIL = re.compile(
    r"\b(?:picked|poked|intercepted|broken up|broke it up|blocked|knocked (?:down|away|off)|off target|no luck|nope|no good|no joy|fails?|failed|fumbl\w*|"
    r"bobbl\w*|misses|missed|falls? short|too (?:hard|late|long|far|soft|heavy|short|high|slow)|in(?:to)? (?:his|her|the|their|your) (?:skates?|feet)|"
    r"(?:doesn't|don't|didn't|never|won't|can't|couldn't|not) (?:get|gets|come|comes|work|make|makes|reach|connect|arrive|succeed|come off|go|there|quite|land|find|hold)\w*|"
    r"never gets|comes to nothing|wrong weight|out of reach|hits? (?:a|the|his|her) (?:shin|stick|skate|leg|pad)|clipped|deflect\w*|rolls? off|bounces? (?:off|over)|"
    r"over(?:shoots|skates|cooks)|turned over|the other way|gives? it away|loses? it|lost it|dies|ends up on|"
    r"without success|one second late|a stride short|except|steals|stolen|gobbled|eaten|cut out|read it all the way)\b",
    re.IGNORECASE,
)
_OTHER_TIMES = re.compile(
    r"\blast (?:year|season|week|night|month|winter|summer|spring|saturday|sunday|monday|tuesday|wednesday|thursday|friday|time out)\b"
    r"|\b(?:yesterday|in september|back in|years? ago|when i (?:was|played|coached)|used to|a month ago|the other (?:day|night))\b"
    r"|\b(?:most|some|lots of|half the|other|half of the) (?:kids|players|guys|girls|folk|people|boys|teams|men|women|coaches|lads)\b"
    r"|\b(?:kids|players|girls|boys|folk|fellows|people) (?:these days|your age|would|always|never)\b|\bmy (?:wife|own|son|daughter|mother|father|uncle|dad|mom|mum|brother|sister|dog|neighbou?r)\b",
    re.IGNORECASE,
)


@dataclass(frozen=True, slots=True)
class StatusCues:
    """What the words around a mention say about how it came out."""

    wish: bool
    """It was wanted."""
    negated: bool
    """A negation stands in the words or right before them, and does not tell that something that was sent did not arrive."""
    arrives_not: bool
    """It does tell that."""
    praised_negation: bool
    """The negation denies the failing: "never stops"."""
    tried: bool
    """Somebody tries, in the words or before them."""
    begins_with_try: bool
    """The words themselves begin with the trying: "tries to thread it"."""
    failed: bool
    """The words, or what follows in the sentence, tell that it did not come off."""
    fails_next: bool
    """The next sentence tells it."""
    ordered: bool
    """An order, told over a picture of something else: "just go across"."""
    if_only: bool
    """It is told of what did not happen."""
    wish_behind: bool
    """A wish follows the words."""
    instead_before: bool
    """`instead` or `rather than` stands near before the words."""
    instead_behind: bool
    """The same behind them."""
    turns: bool
    """What follows begins with `but` or the like."""
    other_times: bool
    """The sentence is about other people or another day."""


def status_cues(talk: ParsedTalk, parsed: ParsedSentence, span: Span) -> StatusCues:
    """Read the cues around a span of words."""
    before = talk.text(Span(max(parsed.sentence.first, span.first - 14), span.first - 1)) if span.first > parsed.sentence.first else ""
    inside = talk.text(span)
    after = talk.text(Span(span.last + 1, min(parsed.sentence.last, span.last + 14))) if span.last < parsed.sentence.last else ""
    near_before = _same_clause_before(before)
    lead = f"{near_before} {inside}".strip()
    wish = _wished(lead)
    if not wish and parsed.index > 0 and len(parsed.pieces) <= 3:
        wish = _carries_wish(talk, parsed)
    around = " ".join([*near_before.split()[-4:], inside])
    arrives_not = bool(_NEVER_ARRIVES.search(f"{around} {after}"))
    negated = bool(_NEGATION.search(_NEVER_ARRIVES.sub(" ", around)))
    praised = negated and any(_STOPPING.search(lead[m.start() :][:60]) for m in _NEGATION.finditer(lead))
    following = _next_sentence(talk, parsed)
    begins = bool(_TRY.match(" ".join(inside.split()[:3])) or _TRY.search(" ".join(near_before.split()[-3:])))
    return StatusCues(
        wish,
        negated,
        arrives_not,
        praised,
        bool(_TRY.search(lead)),
        begins,
        bool(_FAIL.search(inside) or _FAIL.search(after)),
        bool(_FAIL.search(following)),
        _is_order(parsed, span),
        bool(_IF.search(f"{before} {inside}")),
        bool(_WISH_BEHIND.search(" ".join(after.split()[:NEAR]))),
        bool(_INSTEAD.search(" ".join(before.split()[-NEAR:]))),
        bool(_INSTEAD.search(" ".join(after.split()[:NEAR]))),
        bool(_TURNS.match(after)),
        bool(_OTHER_TIMES.search(parsed.sentence.text)),
    )


def _wished(text: str) -> bool:
    without = _NO_WISH.sub(" ", text)
    return bool(_WISH.search(without))


def _same_clause_before(before: str) -> str:
    """The words before that still govern: back to a full stop, or to a `but` or `so` that turns the talk."""
    cut = max((m.end() for m in re.finditer(r"[.;!?]|\b(?:but|so|instead)\b", before, re.IGNORECASE)), default=0)
    return before[cut:].strip()


def _is_order(parsed: ParsedSentence, span: Span) -> bool:
    """Whether the verb of the words is a bare form without a subject: "go at his heels"."""
    tokens = [t for t in parsed.tokens_of(span) if not t.is_punct]
    inside = {t.i for t in tokens}
    for t in tokens:
        if t.head.i not in inside or t.head == t:
            bare = t.tag_ in {"VB", "VBP"} and t.lower_ == t.lemma_.lower()
            governed = any(c.dep_ in {"nsubj", "aux", "nsubjpass"} for c in t.children) or t.dep_ in {
                "xcomp",
                "ccomp",
                "conj",
            }
            return bare and not governed
    return False


def _carries_wish(talk: ParsedTalk, parsed: ParsedSentence) -> bool:
    """ "What could we do here? Just wait a second": a wish asked in the sentence before and answered with an order."""
    earlier = talk.sentences[parsed.index - 1].sentence.text
    first = next((t for t in parsed.doc if not t.is_punct and t.dep_ not in {"intj", "advmod", "cc"}), None)
    imperative = first is not None and first.tag_ == "VB" and first.dep_ == "ROOT"
    return imperative and (_wished(earlier) or "don't want" in earlier.lower() or "what could" in earlier.lower())


def _next_sentence(talk: ParsedTalk, parsed: ParsedSentence) -> str:
    return talk.sentences[parsed.index + 1].sentence.text if parsed.index + 1 < len(talk.sentences) else ""


DECIDED = ("executed", "attempted", "missed")
FEATURES_WITHOUT_READER = (
    "lacking", "failing", "wish", "negated_bare", "negated_praised", "tried", "begins_with_try", "failed",
    "fails_next_and_tried", "ordered", "lacking_and_negated", "failing_and_failed", "lacking_alone",
    "told_failed", "if_only", "wish_behind", "instead_before", "instead_behind", "turns", "told_failed_not_lacking", "arrives_not",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class StatusWeights:
    """Linear models that evaluation/fit.py fits on the marked narrations; rows are DECIDED, the last column the constants."""

    with_reader: NDArray[np.float64]
    """Shape (3, len(STATUS_FEATURES) + 1)."""
    without_reader: NDArray[np.float64]
    """Shape (3, len(FEATURES_WITHOUT_READER) + 1)."""


STATUS_FEATURES = (*FEATURES_WITHOUT_READER, "read_executed", "read_attempted", "read_missed")
_ARRIVES_NOT_AT, _WISH_AT = (FEATURES_WITHOUT_READER.index(name) for name in ("arrives_not", "wish"))


def status_features(cues: StatusCues, kinds: Sequence[float], told_failed: float, read: NDArray[np.float32] | None) -> tuple[float, ...]:
    """As named in STATUS_FEATURES, or in FEATURES_WITHOUT_READER where there is none.

    Args:
        cues: what stands around the words.
        kinds: how likely they are told as say, lacking or failing.
        told_failed: how likely the rest of the sentence tells that it did not come off.
        read: what the reader says of each of STATUSES, as logarithms, shape (4,); None where there is none.
    """
    _, lacking, failing = kinds
    bare = cues.negated and not cues.praised_negation
    return tuple(
        map(
            float,
            (
                lacking, failing, cues.wish, bare, cues.praised_negation, cues.tried, cues.begins_with_try, cues.failed,
                cues.fails_next and cues.tried, cues.ordered, lacking * bare, failing * cues.failed,
                lacking * (not cues.negated) * (not cues.wish), told_failed, cues.if_only, cues.wish_behind, cues.instead_before,
                cues.instead_behind, cues.turns, told_failed * (1 - lacking), cues.arrives_not,
                *(() if read is None else read[: len(DECIDED)]),
            ),
        )
    )  # fmt: skip


def decide_status(features: Sequence[float], weights: StatusWeights) -> str:
    """The likeliest of DECIDED; what was sent and does not arrive was not left undone, unless it is a wish.

    Args:
        features: as `status_features` gives them.
        weights: fitted on the marked narrations.
    """
    fitting = weights.with_reader if len(features) == len(STATUS_FEATURES) else weights.without_reader
    odds = fitting @ np.array([*features, 1.0])
    if features[_ARRIVES_NOT_AT] and not features[_WISH_AT]:
        odds[DECIDED.index("missed")] = -np.inf
    return DECIDED[int(np.argmax(odds))]


@lru_cache(maxsize=1)
def load_status_weights() -> StatusWeights:
    """The fitted numbers that ship with the tool."""
    kept = fitted("status")
    return StatusWeights(np.array(kept["with_reader"]), np.array(kept["without_reader"]))
