"""A breakdown made safe to hand out: one player by first name, everybody else by role, and what was withheld gone."""

from __future__ import annotations

import dataclasses
import re
from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import accumulate
from typing import Literal

from voiceover.breakdown import Breakdown, IceTime
from voiceover.errors import OptionError
from voiceover.lexicon.model import Lexicon
from voiceover.possession_log import build_log, possession_clip_times
from voiceover.possessions import Possession
from voiceover.reports.names import NameSpotter, SpokenName, lead, replaced, tail
from voiceover.roster import Player, Roster
from voiceover.speech.transcript import Sentence, Transcript, Word
from voiceover.totals import Total, judge_again
from voiceover.withheld import runs, withheld_words

NameAs = Literal["first", "initials", "number"]

ROLE_WORDS = {"focus": "a teammate", "teammate": "a teammate", "opponent": "the defender"}
SOMEBODY = "somebody"
# What is no name and must not go out all the same; each with what stands in its place.
_CONTACTS = [
    (re.compile(r"\S+@\S+\.\w+"), "[e-mail]"),
    (re.compile(r"https?://\S+|www\.\S+"), "[address]"),
    (re.compile(r"(?<!\w)\+?\d(?:[\d\s().-]{6,}\d)"), "[number]"),
    (re.compile(r"\b(?:19[5-9]\d|20[0-3]\d)(?:[- ]?born|s)?\b|['’](?:0\d|1\d|9\d)s?\b"), "[year]"),
    (re.compile(r"\b(?:two thousand(?: and)?|twenty) (?:oh )?(?:[a-z]+teen|eleven|twelve|ten|one|two|three|four|five|six|seven|eight|nine)[- ](?:born|birth year)\b", re.I), "[year]"),
    (re.compile(r"\b(?:born in|birth ?year(?: is)?)\s+[\w' -]{2,24}", re.I), "[year]"),
    (re.compile(r"\b(?:[A-Z][\w.'-]+\s+){1,4}(?:High|Middle|Elementary|Primary|Secondary|Grammar|Prep|Public)?\s?(?:School|Academy|College|Collegiate|Prep)\b"), "[school]"),
]  # fmt: skip


@dataclass(frozen=True, slots=True)
class Sharing:
    """What may go out."""

    player: str = ""
    """Name of the player it is about; empty for the one in focus."""
    name_as: NameAs = "first"
    with_names: bool = False
    """Deliberately: all names stay. Withheld words and contacts are left out all the same."""


@dataclass(frozen=True, slots=True)
class Shared:
    """A breakdown as it may go out."""

    breakdown: Breakdown
    player: str
    """How the player is called in it."""
    names: list[SpokenName]
    """Where names are spoken in the words of the original: for the silencing of the voice."""
    left_out: list[str] = field(default_factory=list)
    """What was left out, a line each."""


def share_safe(b: Breakdown, lexicon: Lexicon, sharing: Sharing | None = None) -> Shared:
    """Make a reviewed breakdown safe to hand out.

    Raises:
        RosterError: the player is not on the roster.
        OptionError: several are in focus, and none of them is named.
    """
    sharing = sharing or Sharing()
    about = about_player(b, sharing)
    lone = about is None or [p for p in b.roster if p.focus] == [about]
    shown = _shown_name(about, sharing)
    spotter = NameSpotter(b.roster)
    transcript = b.transcript()
    starts = _starts(transcript)
    names = spotter.find([w.text for w in b.words], starts)
    scrub = _Scrubber(spotter, Roster(tuple(b.roster)), about, shown, sharing.with_names)
    withheld = withheld_words(b)
    words, place = scrub.words(b.words, names, withheld)
    mentions = []
    for m in b.mentions:
        inside = [place[i] for i in range(m.first, m.last + 1) if place[i] is not None]
        if m.withheld or not inside or any(withheld[m.first : m.last + 1]):
            continue
        first, last = min(i for i in inside if i is not None), max(i for i in inside if i is not None)
        quote = _contacts(" ".join(w.text for w in words[first : last + 1])).strip(" ,.;:")
        # Without a roster nobody is named, and whoever is in focus is the one that it is about.
        same = m.player == about.name if about and m.player else lone and not m.player and m.role == "focus"
        player = m.player if sharing.with_names else shown if same else ""
        role = "focus" if same else "teammate" if m.role == "focus" else m.role
        mentions.append(dataclasses.replace(m, first=first, last=last, quote=quote, player=player, role=role))
    playhead = b.track()
    rows = build_log(mentions, lexicon, playhead, before=b.log)
    sentences = transcript.sentences()
    # A sentence whose end is gone is not to run into the next one.
    breaks = {*b.breaks, *(s.last + 1 for s in sentences if withheld[s.last])}
    possessions = [
        dataclasses.replace(
            p, quote=scrub.text(p.quote) if (left := _left_of_opening(p, sentences, words, place)) is None else left,
            player=p.player if sharing.with_names else shown if about and p.player in ("", about.name) else "",
        )
        for p in b.possessions
    ]  # fmt: skip
    totals = [dataclasses.replace(t, quote=scrub.text(t.quote)) for t in b.totals if not _is_withheld(t, b.words, withheld)]
    roster = b.roster if sharing.with_names else [Player(shown, focus=True)] if shown else []
    clean = Breakdown(
        narration="narration", narration_duration_s=b.narration_duration_s, clip="clip" if b.clip else "", clip_duration_s=b.clip_duration_s,
        from_clip_s=b.from_clip_s, to_clip_s=b.to_clip_s,
        ice_time=IceTime(
            date=b.ice_time.date, occasion=b.ice_time.occasion, situation=b.ice_time.situation, team=scrub.text(b.ice_time.team),
            age_group=_contacts(b.ice_time.age_group),
        ),
        sport=b.sport, lexicon_sha256=b.lexicon_sha256, roster=roster, playhead=b.playhead,
        words=[dataclasses.replace(w, heard=None) for w in words],
        breaks=sorted({p for x in breaks if x < len(place) and (p := _next_place(place, x)) is not None}),
        possessions=possessions, possession_clip_times=[possession_clip_times(p, mentions, playhead) for p in possessions],
        mentions=mentions, log=rows, totals=[
            dataclasses.replace(t, why=scrub.text(t.why)) for t in judge_again(totals, possessions, rows, b.clip_duration_s)
        ],
        drawings=b.drawings, message=scrub.text(b.message), next_step=scrub.text(b.next_step), reviewed=b.reviewed,
    )  # fmt: skip
    return Shared(clean, shown, names, _left_out(b, names, about, sharing))


def _left_out(b: Breakdown, names: Sequence[SpokenName], about: Player | None, sharing: Sharing) -> list[str]:
    out = []
    if not sharing.with_names:
        others = sum(n.player is not about for n in names)
        out.append(
            f"names: the player is called by {'first name' if sharing.name_as == 'first' else sharing.name_as} alone, everybody else by role ({others} places)"
        )
    kept_back = sum(m.withheld for m in b.mentions)
    if b.withheld or kept_back:
        out.append(f"what the coach kept back: {len(b.withheld)} stretches of the talk, {kept_back} mentions")
    out.append(
        "birth years, schools, telephone numbers and e-mail addresses; file names, places, devices and dates of recording in the media"
    )
    return out


def about_player(b: Breakdown, sharing: Sharing) -> Player | None:
    """The player that something outgoing is about; None where the roster names none.

    Raises:
        RosterError: the player is not on the roster.
        OptionError: several are in focus, and none of them is named.
    """
    if sharing.player:
        found = Roster(tuple(b.roster)).with_focus(sharing.player).focus if b.roster else ()
        return next((p for p in b.roster if found and p.name == found[0].name), None)
    focus = [p for p in b.roster if p.focus]
    if len(focus) > 1:
        raise OptionError(f"--player: {len(focus)} players are in focus; name one of them")
    return focus[0] if focus else None


def _shown_name(about: Player | None, sharing: Sharing) -> str:
    if about is None:
        return ""
    if sharing.with_names:
        return about.name
    if sharing.name_as == "number":
        return f"Number {about.number}" if about.number else "The player"
    if sharing.name_as == "initials":
        return "".join(f"{part[0].upper()}." for part in about.name.replace("-", " ").split())
    return about.name.split()[0]


class _Scrubber:
    """Puts what may stand there in the place of names."""

    def __init__(self, spotter: NameSpotter, roster: Roster, about: Player | None, shown: str, with_names: bool) -> None:
        self._spotter, self._roster, self._about, self._shown, self._with_names = spotter, roster, about, shown, with_names

    def words(self, words: Sequence[Word], names: Sequence[SpokenName], withheld: Sequence[bool]) -> tuple[list[Word], list[int | None]]:
        """The words that may go out, and for each old word the index of the new one, None where it is gone."""
        by_first = {} if self._with_names else {n.first: n for n in names}
        contacts = _contact_runs([w.text for w in words], names)
        out: list[Word] = []
        place: list[int | None] = []
        i = 0
        while i < len(words):
            is_contact = i in contacts
            name = None if is_contact else by_first.get(i)
            last = contacts[i] if is_contact else name.last if name else i
            if any(withheld[i : last + 1]):
                place += [None] * (last + 1 - i)
            else:
                place += [len(out)] * (last + 1 - i)
                opens = i == 0 or words[i - 1].text.rstrip("\"'”’)").endswith((".", "!", "?"))
                text = words[i].text
                if is_contact:
                    text = self.text(" ".join(w.text for w in words[i : last + 1]))
                elif name is not None:
                    text = self._in_place(words[i].text, words[last].text, name, opens)
                out.append(dataclasses.replace(words[i], text=text, end_narration_s=words[last].end_narration_s))
            i = last + 1
        return out, place

    def text(self, text: str) -> str:
        """A text that may go out."""
        text = _contacts(text)
        if self._with_names or not text:
            return text
        return "\n".join(map(self._line, text.split("\n")))

    def _line(self, line: str) -> str:
        parts = line.split()
        starts = [i == 0 or parts[i - 1].endswith((".", "!", "?", ":")) for i in range(len(parts))]
        names = self._spotter.find(parts, starts)
        return replaced(parts, names, lambda n: self._in_place(parts[n.first], parts[n.last], n, starts[n.first]))

    def _in_place(self, first: str, last: str, name: SpokenName, opens: bool) -> str:
        if name.player is None:
            words = SOMEBODY
        elif self._about is not None and name.player.name == self._about.name:
            words = self._shown
        else:
            words = ROLE_WORDS[self._roster.role_of(name.player)]
        return lead(first) + (words[0].upper() + words[1:] if opens else words) + tail(last)


def _contacts(text: str) -> str:
    for pattern, instead in _CONTACTS:
        text = pattern.sub(instead, text)
    return text


def _contact_runs(texts: Sequence[str], names: Sequence[SpokenName]) -> dict[int, int]:
    """First and last of each run of words that hold a contact; a name that reaches into one is part of it.

    The words are looked at together: a telephone number is spoken in pieces.
    """
    starts = list(accumulate((len(t) + 1 for t in texts), initial=0))
    joined = " ".join(texts)
    held: set[int] = set()
    for pattern, _ in _CONTACTS:
        for found in pattern.finditer(joined):
            held.update(range(bisect_right(starts, found.start()) - 1, bisect_right(starts, found.end() - 1)))
    for n in names:
        if not held.isdisjoint(range(n.first, n.last + 1)):
            held.update(range(n.first, n.last + 1))
    return dict(runs(held))


def _starts(transcript: Transcript) -> list[bool]:
    first = {s.first for s in transcript.sentences()}
    return [i in first for i in range(len(transcript.words))]


def _next_place(place: Sequence[int | None], i: int) -> int | None:
    return next((p for p in place[i:] if p is not None), None)


def _left_of_opening(p: Possession, sentences: Sequence[Sentence], words: Sequence[Word], place: Sequence[int | None]) -> str | None:
    """What is left of the sentence that opens a possession; None where nothing of it is gone."""
    opening = sentences[p.first_sentence] if p.first_sentence < len(sentences) else None
    if opening is None or None not in place[opening.first : opening.last + 1]:
        return None
    left = dict.fromkeys(i for i in place[opening.first : opening.last + 1] if i is not None)
    return _contacts(" ".join(words[i].text for i in left))


def _is_withheld(t: Total, words: Sequence[Word], withheld: Sequence[bool]) -> bool:
    """Whether one of the words that tell a count is kept back."""
    first = bisect_left(words, t.narration_s, key=lambda w: w.start_narration_s)
    return any(withheld[first : first + len(t.quote.split())])
