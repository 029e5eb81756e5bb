"""What each accepted proposal is in the talk: whose, on which possession, preview, call or recap, and how it came out."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Sequence

from voiceover.mentions.doers import DoerFinder
from voiceover.mentions.focus import focus_of
from voiceover.mentions.model import STATUSES, Mention, Proposal
from voiceover.mentions.parse import ParsedTalk, Span
from voiceover.mentions.people import PeopleResolver
from voiceover.mentions.quote import shortest_words
from voiceover.mentions.reading import Reading
from voiceover.mentions.status import decide_status, load_status_weights, status_cues, status_features
from voiceover.playhead.track import PlayheadTrack
from voiceover.possessions import Possession

_PREVIEW = re.compile(
    r"\b(?:will|going to|gonna|about to|watch (?:for|if|when|whether|how|what)|look (?:for|out for)|see if|in a (?:second|moment)|before (?:i|this|we)|"
    r"is to|i'll tell you now|i tell you|beforehand|does (?:he|she)|do you)\b|'ll\b",
    re.IGNORECASE,
)


def mentions_of(
    talk: ParsedTalk, accepted: Sequence[Proposal], possessions: Sequence[Possession], people: PeopleResolver,
    playhead: PlayheadTrack | None, *, told_failed: Sequence[float], reading: Reading,
) -> list[Mention]:  # fmt: skip
    """Make mentions of accepted proposals, in order of the talk.

    Args:
        told_failed: for each proposal how likely the rest of its sentence tells that it did not come off.
        reading: what the reader thinks of the talk.
    """
    out: list[Mention] = []
    weights, doers = load_status_weights(), DoerFinder(talk, people, reading)
    for p, failed in zip(accepted, told_failed, strict=True):
        span = Span(p.first, p.last)
        parsed = talk.sentences[talk.sentence_of_word[p.first]]
        cues = status_cues(talk, parsed, span)
        possession = next((q for q in possessions if q.first_sentence <= parsed.index <= q.last_sentence), None)
        doer = doers.doer(parsed.index, span, p.principle_id, focus_of(possession, people.roster))
        words = talk.transcript.words
        read = None if reading.is_silent else reading.status(span, p.principle_id)
        quote = shortest_words(parsed, span, people.references(parsed.index))
        out.append(
            Mention(
                p.principle_id, quote.first, quote.last, parsed.index, talk.text(quote).strip(" ,.;:"),
                words[quote.first].start_narration_s, max(w.end_narration_s for w in words[quote.first : quote.last + 1]),
                p.found_by, min(0.99, p.score), decide_status(status_features(cues, p.kinds, failed, read), weights), "call",
                doer.player.name if doer.player else "", doer.role, possession.number if possession else None,
            )
        )  # fmt: skip
    return _with_kinds(talk, out, possessions, playhead)


def _with_kinds(
    talk: ParsedTalk, mentions: list[Mention], possessions: Sequence[Possession], playhead: PlayheadTrack | None
) -> list[Mention]:
    """A preview comes before the play and takes the status that the play then shows; what is named again is a recap."""
    first = possessions[0].first_sentence if possessions else 0
    out: list[Mention] = []
    for m in mentions:
        same = [n for n in mentions if n.principle_id == m.principle_id and n is not m]
        if m.possession is None:
            if m.sentence < first:
                shown = [n.status for n in same if n.possession is not None]
                status = min(shown, key=STATUSES.index) if shown else "announced"
                out.append(dataclasses.replace(m, kind="preview", status=status))
            else:
                out.append(dataclasses.replace(m, kind="recap"))
            continue
        here = [n for n in same if n.possession == m.possession and n.player == m.player and n.role == m.role]
        later = [n for n in here if n.start_narration_s > m.start_narration_s]
        earlier = [n for n in out if n.principle_id == m.principle_id and n.possession == m.possession and n.kind == "call"
                   and n.player == m.player]  # fmt: skip
        paused = playhead is not None and (at := playhead.narration_to_clip(m.start_narration_s)) is not None and at.rate == 0
        if _PREVIEW.search(talk.sentences[m.sentence].sentence.text) and later and m.status == "executed" and (paused or not playhead):
            out.append(dataclasses.replace(m, kind="preview", status=min((n.status for n in later), key=STATUSES.index)))
        elif earlier and earlier[-1].sentence < m.sentence and not _moved_on(playhead, earlier[-1], m):
            out.append(dataclasses.replace(m, kind="recap"))
        else:
            out.append(m)
    return out


def _moved_on(playhead: PlayheadTrack | None, before: Mention, after: Mention) -> bool:
    """Whether the clip has reached a new part since: what is named there is a new event."""
    if playhead is None:
        return False
    a, b = (playhead.narration_to_clip(m.start_narration_s) for m in (before, after))
    return a is not None and b is not None and b.clip_s > a.clip_s + 0.3
