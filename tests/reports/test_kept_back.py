"""The words of a row that was kept back are gone in writing and in sound, those of its neighbours are not."""

from __future__ import annotations

from pathlib import Path

from voiceover import Breakdown
from voiceover.lexicon.model import Lexicon
from voiceover.mentions.model import Mention
from voiceover.playhead.track import PlayheadRow
from voiceover.possessions import Possession
from voiceover.reports.exchange import share
from voiceover.reports.moments import possession_shot
from voiceover.reports.privacy import share_safe
from voiceover.reports.voice import MARGIN_S, places_of
from voiceover.speech.transcript import Word
from voiceover.totals import Total

TEXTS = "He hardly peeks behind. Then he drives wide again. I saw five of them.".split()


def mention(principle_id: str, first: int, last: int, *, withheld: bool) -> Mention:
    sentence = 0 if first < 4 else 1
    quote = " ".join(TEXTS[first : last + 1]).strip(".")
    return Mention(principle_id, first, last, sentence, quote, float(first), last + 0.5, "phrase", 0.9, possession=1, withheld=withheld)


def talk(*mentions: Mention) -> Breakdown:
    return Breakdown(
        narration="talk.wav", words=[Word(t, float(i), i + 0.5) for i, t in enumerate(TEXTS)], mentions=list(mentions), clip="clip.mp4",
        possessions=[Possession(1, 0, 2, 0.0, 14.0, quote="He hardly peeks behind.")], possession_clip_times=[(0.0, 14.0)],
        playhead=[PlayheadRow(0.0, 0.0, 1.0)], totals=[Total("principles", 5, 1, False, 11.0, "five of them", "")],
    )  # fmt: skip


SHOWN = mention("drive-wide", 6, 7, withheld=False)


def test_its_words_are_in_no_caption_and_no_quote(lexicon: Lexicon, tmp_path: Path) -> None:
    shared = share_safe(talk(mention("scan", 1, 3, withheld=True), SHOWN), lexicon)
    share(shared, ["vtt", "srt", "csv", "json"], tmp_path)
    for file in tmp_path.iterdir():
        assert "peeks" not in file.read_text(), file
    assert "Then he drives wide again." in (tmp_path / "captions.vtt").read_text().split("\n")  # not run into what is left before it
    assert shared.breakdown.possessions[0].quote == "He"
    shot = possession_shot(shared, Path("clip.mp4"), 1)
    assert shot is not None and {c.text for c in shot.captions} == {"Then he drives wide again."}


def test_words_that_another_row_quotes_too_stay(lexicon: Lexicon) -> None:
    b = talk(mention("scan", 1, 3, withheld=True), mention("patience", 1, 1, withheld=False))
    assert [w.text for w in share_safe(b, lexicon).breakdown.words][:3] == ["He", "hardly", "Then"]


def test_a_count_whose_words_are_kept_back_is_gone(lexicon: Lexicon) -> None:
    assert [t.quote for t in share_safe(talk(SHOWN), lexicon).breakdown.totals] == ["five of them"]
    assert share_safe(talk(SHOWN, mention("scan", 13, 13, withheld=True)), lexicon).breakdown.totals == []


def test_its_words_are_silenced_and_no_others() -> None:
    hidden = talk(mention("scan", 1, 3, withheld=True), SHOWN)
    assert [(p.start_narration_s, p.end_narration_s) for p in places_of(hidden)] == [(1.0 - MARGIN_S, 3.5 + MARGIN_S)]
    assert places_of(hidden, withheld=False) == places_of(talk(SHOWN)) == []
