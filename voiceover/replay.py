"""The reviewed log: the machine's result with the reviewers' corrections applied, one after the other."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from voiceover.breakdown import Breakdown
from voiceover.corrections import WORD_KINDS, Anchor, Correction, in_force
from voiceover.edited_words import fits, quoted_words, rewritten
from voiceover.lexicon.model import Lexicon
from voiceover.mentions.model import Mention
from voiceover.possession_log import build_log, name_and_family, named_in, possession_clip_times, row_key
from voiceover.possessions import Possession
from voiceover.totals import judge_again
from voiceover.withheld import stretches_over, words_in

# A mention is the anchored one if it tells the principle and begins this near, seconds, or shares words with it: other weights move
# word times by up to a few tenths.
SAME_PLACE_S = 0.7
# A possession is the anchored one if it begins this near, seconds: about a sentence.
SAME_POSSESSION_S = 3.0
# The times of an anchor are to the millisecond: a word that begins within this of its end belongs to the next sentence.
ROUNDED_S = 0.001


@dataclass(frozen=True, slots=True)
class Unapplied:
    """A correction whose object is not there any more."""

    correction: Correction
    why: str


def replay(read: Breakdown, corrections: Sequence[Correction], lexicon: Lexicon) -> tuple[Breakdown, list[Unapplied]]:
    """Apply corrections to what the machine read.

    Args:
        read: the machine's result; where corrections changed words, read again from the changed words.
        corrections: all of them in order, undone ones included.
        lexicon: for the names of principles; those that it does not have keep the names that they were read with.
    Returns:
        The reviewed breakdown, and the corrections that found nothing to apply to.
    """
    state = _State(read, lexicon)
    unapplied = []
    held = in_force(corrections)
    for i, c in enumerate(held, start=1):
        why = state.apply(c, held[i:])
        if why:
            unapplied.append(Unapplied(c, why))
    return state.result(corrections), unapplied


class _State:
    def __init__(self, read: Breakdown, lexicon: Lexicon) -> None:
        self.read = read
        self.lexicon = lexicon
        ids = {i: self._id(i) for i in {m.principle_id for m in read.mentions}}
        self.mentions = [dataclasses.replace(m, principle_id=ids[m.principle_id]) for m in read.mentions]
        self.possessions = list(read.possessions)
        self.withheld = words_in(read.words, read.withheld)
        self.message, self.next_step = read.message, read.next_step
        self.playhead = read.track()
        self.transcript = read.transcript()

    def apply(self, c: Correction, later: Sequence[Correction]) -> str:
        """Apply one, before the later ones; why it cannot be, or nothing."""
        if c.kind in WORD_KINDS:
            # The words were changed before the talk was read; here it only counts whether they are there.
            changed = c.change.text if c.kind == "rename" else ""
            return "" if fits(self.transcript, c) or (changed and changed.lower() in self._text()) else "these words are not in the talk"
        if c.kind == "message":
            self.message = c.change.text
            return ""
        if c.kind == "next-step":
            self.next_step = c.change.text
            return ""
        assert c.anchor is not None
        if c.kind in ("split", "merge"):
            return self._move_border(c)
        if c.kind == "add":
            return self._add(c)
        if not c.anchor.principle_id and c.kind in ("withhold", "release"):
            return self._withhold_words(rewritten(c.anchor, later), keep_back=c.kind == "withhold")
        return self._change_row(c, c.anchor)

    def result(self, corrections: Sequence[Correction]) -> Breakdown:
        """The breakdown as reviewed."""
        mentions = sorted(self.mentions, key=lambda m: (m.start_narration_s, m.end_narration_s))
        rows = build_log(mentions, self.lexicon, self.playhead, before=self.read.log)
        return self.read.model_copy(update={
            "mentions": mentions,
            "possessions": self.possessions,
            "possession_clip_times": [possession_clip_times(p, mentions, self.playhead) for p in self.possessions],
            "log": rows,
            "totals": judge_again(self.read.totals, self.possessions, rows, self.read.clip_duration_s),
            "withheld": stretches_over(self.read.words, self.withheld),
            "message": self.message,
            "next_step": self.next_step,
            "corrections": list(corrections),
            "reviewed": True,
        })  # fmt: skip

    def _text(self) -> str:
        return " ".join(w.text for w in self.read.words).lower()

    def _row(self, anchor: Anchor) -> list[int]:
        """The mentions of the anchored row: the anchored one and those that stand in one row with it."""
        principle_id = self._id(anchor.principle_id)
        near = [
            (abs(m.start_narration_s - anchor.start_narration_s), i) for i, m in enumerate(self.mentions)
            if m.principle_id == principle_id and _same_place(m, anchor)
        ]  # fmt: skip
        if not near:
            return []
        head = self.mentions[min(near)[1]]
        return [i for i, m in enumerate(self.mentions) if row_key(m) == row_key(head)]

    def _change_row(self, c: Correction, anchor: Anchor) -> str:
        row = self._row(anchor)
        if not row and c.kind == "principle":
            # Another lexicon may have found by itself what the reviewer put there.
            row = self._row(anchor.model_copy(update={"principle_id": c.change.principle_id}))
        if not row:
            return f"'{self._name(anchor.principle_id)}' is not found there any more"
        change = c.change
        if c.kind == "reject":
            self.mentions = [m for i, m in enumerate(self.mentions) if i not in set(row)]
            return ""
        if c.kind in ("withhold", "release"):
            for i in row:
                # What is kept back with its sentence stays so until the sentence is let go.
                withheld = c.kind == "withhold" or self._is_withheld(self.mentions[i])
                self.mentions[i] = dataclasses.replace(self.mentions[i], withheld=withheld)
            return ""
        new: dict[str, object] = {"reviewed": True}
        if c.kind == "principle":
            if not self._known(change.principle_id):
                return f"the lexicon has no principle '{change.principle_id}'"
            new["principle_id"] = self._id(change.principle_id)
        elif c.kind == "player":
            about = next((p for p in self.possessions if p.number == self.mentions[row[0]].possession), None)
            new |= self._person(change.player_id, change.role, about)
        elif c.kind == "status":
            new["status"] = change.status
        elif c.kind == "possession":
            if change.possession_start_s is None:
                new["possession"] = None
            else:
                possession = self._possession_at(change.possession_start_s)
                if possession is None:
                    return "that possession is not there any more"
                new["possession"] = possession.number
        elif c.kind == "retime":
            new["set_clip_s"] = change.clip_s
        for i in row:
            self.mentions[i] = dataclasses.replace(self.mentions[i], **new)  # type: ignore[arg-type]
        return ""

    def _person(self, player_id: str, role: str, possession: Possession | None) -> dict[str, object]:
        """Who did it; the player in focus, where he is not named, is whom the possession is about, or the only one in focus."""
        focus = [p.name for p in self.read.roster if p.focus]
        name = self.read.player_ids.get(player_id, "")
        role = role or ("focus" if name in focus else "teammate")
        if role == "focus" and not player_id:
            name = (possession.player if possession else "") or (focus[0] if len(focus) == 1 else "")
        return {"player": name, "role": role}

    def _add(self, c: Correction) -> str:
        assert c.anchor is not None
        if not self._known(c.change.principle_id):
            return f"the lexicon has no principle '{c.change.principle_id}'"
        starts = [
            i for i, w in enumerate(self.read.words) if c.anchor.start_narration_s - 0.05 <= w.start_narration_s < c.anchor.end_narration_s
        ]
        if not starts:
            return "no words stand there any more"
        first, last = starts[0], starts[-1]
        words = self.read.words[first : last + 1]
        sentence = next((s for s, t in enumerate(self.transcript.sentences()) if t.first <= first <= t.last), 0)
        possession = next((p for p in self.possessions if p.first_sentence <= sentence <= p.last_sentence), None)
        person = self._person(c.change.player_id, c.change.role or "focus", possession)
        wanted = c.anchor.model_copy(update={"principle_id": c.change.principle_id})
        there = [i for i in self._row(wanted) if _same_place(self.mentions[i], wanted)]
        said: dict[str, object] = {"reviewed": True}
        if c.change.player_id or c.change.role:
            said |= person
        if c.change.status:
            said["status"] = c.change.status
        # Found by itself meanwhile: it is done by whom, and comes out, as the reviewer said. What he settled about somebody else stays beside it.
        if any(not self.mentions[i].reviewed or "role" not in said or _is_by(self.mentions[i], person) for i in there):
            for i in there:
                self.mentions[i] = dataclasses.replace(self.mentions[i], **said)  # type: ignore[arg-type]
            return ""
        added = Mention(
            self._id(c.change.principle_id), first, last, sentence, " ".join(w.text for w in words).strip(" ,.;:"),
            words[0].start_narration_s, max(w.end_narration_s for w in words), "reviewer", 1.0,
            c.change.status or "executed", "call", str(person["player"]), str(person["role"]),
            possession.number if possession else None, True,
        )  # fmt: skip
        self.mentions.append(dataclasses.replace(added, withheld=self._is_withheld(added)))
        return ""

    def _withhold_words(self, anchor: Anchor, *, keep_back: bool) -> str:
        found = quoted_words(self.read.words, anchor)
        inside = set(range(*found)) if found is not None else self._words_at(anchor, keep_back=keep_back)
        if not inside:
            return "no words stand there any more"
        self.withheld = self.withheld | inside if keep_back else self.withheld - inside
        for i, m in enumerate(self.mentions):
            if not inside.isdisjoint(range(m.first, m.last + 1)):
                self.mentions[i] = dataclasses.replace(m, withheld=self._is_withheld(m))
        return ""

    def _words_at(self, anchor: Anchor, *, keep_back: bool) -> set[int]:
        """The words of a sentence that does not stand there in the quoted words, by time alone: rather one too many kept back than let go."""
        start_s, end_s = anchor.start_narration_s - ROUNDED_S, anchor.end_narration_s
        begun = {i for i, w in enumerate(self.read.words) if start_s <= w.start_narration_s < end_s - ROUNDED_S}
        if not keep_back:
            return begun
        return begun | {i for i, w in enumerate(self.read.words) if _overlap_s(w.start_narration_s, w.end_narration_s, anchor) > 0}

    def _is_withheld(self, m: Mention) -> bool:
        """Whether one of its words is kept back with its sentence."""
        return not self.withheld.isdisjoint(range(m.first, m.last + 1))

    def _possession_at(self, start_s: float) -> Possession | None:
        near = min(self.possessions, key=lambda p: abs(p.start_narration_s - start_s), default=None)
        return near if near is not None and abs(near.start_narration_s - start_s) <= SAME_POSSESSION_S else None

    def _move_border(self, c: Correction) -> str:
        assert c.anchor is not None
        possession = self._possession_at(c.anchor.start_narration_s)
        if possession is None:
            return "that possession is not there any more"
        at = self.possessions.index(possession)
        if c.kind == "merge":
            if at == 0:
                return "there is no possession before it to join"
            before = self.possessions[at - 1]
            joined = dataclasses.replace(
                before, last_sentence=max(before.last_sentence, possession.last_sentence), end_narration_s=possession.end_narration_s,
                ended=possession.ended or before.ended,
            )  # fmt: skip
            self._renumber([*self.possessions[: at - 1], joined, *self.possessions[at + 1 :]], {possession.number: before.number})
            return ""
        start_s = c.change.possession_start_s
        sentences = self.transcript.sentences()
        inside = [
            i for i in range(possession.first_sentence + 1, possession.last_sentence + 1)
            if start_s is not None and abs(sentences[i].start_narration_s - start_s) <= SAME_PLACE_S
        ]  # fmt: skip
        if not inside:
            return "no sentence begins there in that possession"
        cut, sentence = inside[0], sentences[inside[0]]
        first = dataclasses.replace(possession, last_sentence=cut - 1, end_narration_s=sentences[cut - 1].end_narration_s, ended="")
        second = dataclasses.replace(
            possession, number=possession.number, first_sentence=cut, start_narration_s=sentence.start_narration_s, quote=sentence.text
        )
        moved = [i for i, m in enumerate(self.mentions) if m.possession == possession.number and m.sentence >= cut]
        self._renumber([*self.possessions[:at], first, second, *self.possessions[at + 1 :]], {}, shift_after=possession.number, moved=moved)
        return ""

    def _renumber(
        self, possessions: list[Possession], joined: Mapping[int, int], *, shift_after: int | None = None, moved: Sequence[int] = ()
    ) -> None:
        """Number possessions anew and take their mentions along."""
        if shift_after is None:
            gone = next(iter(joined))
            number = {p.number: p.number - (p.number > gone) for p in self.possessions} | {k: v for k, v in joined.items()}
        else:
            number = {p.number: p.number + (p.number > shift_after) for p in self.possessions}
        for i, m in enumerate(self.mentions):
            if m.possession is not None:
                to = number.get(m.possession, m.possession) + (i in set(moved))
                self.mentions[i] = dataclasses.replace(m, possession=to)
        self.possessions = [dataclasses.replace(p, number=i) for i, p in enumerate(possessions, start=1)]

    def _id(self, principle_id: str) -> str:
        """The id of a principle by the lexicon, where that replaced it; else its own."""
        principle = self.lexicon.find(principle_id)
        return principle_id if principle is None else principle.id

    def _known(self, principle_id: str) -> bool:
        return self.lexicon.find(principle_id) is not None

    def _name(self, principle_id: str) -> str:
        return name_and_family(principle_id, self.lexicon, named_in(self.read.log))[0]


def _is_by(m: Mention, person: Mapping[str, object]) -> bool:
    return (m.player, m.role) == (person["player"], person["role"])


def _overlap_s(start_s: float, end_s: float, anchor: Anchor) -> float:
    return min(end_s, anchor.end_narration_s) - max(start_s, anchor.start_narration_s)


def _same_place(m: Mention, anchor: Anchor) -> bool:
    return (
        abs(m.start_narration_s - anchor.start_narration_s) <= SAME_PLACE_S
        or _overlap_s(m.start_narration_s, m.end_narration_s, anchor) > 0
    )
