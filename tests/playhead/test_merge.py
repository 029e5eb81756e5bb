"""One playhead from several sources."""

from __future__ import annotations

from pathlib import Path

from voiceover.mentions.parse import ParsedTalk, parse_talk
from voiceover.playhead.choose import PlayheadWish, choose_playhead, with_spoken
from voiceover.playhead.merge import differences, merge_playheads
from voiceover.playhead.track import PlayheadRow, PlayheadTrack, straight_track
from voiceover.speech.captions import read_transcript


def track(
    source: str, *rows: tuple[float, float | None, float], confidence: float | None = None, tolerance_s: float = 0.0
) -> PlayheadTrack:
    return PlayheadTrack(tuple(PlayheadRow(n, c, r, source=source, confidence=confidence, tolerance_s=tolerance_s) for n, c, r in rows))


def test_sound_fixes_what_the_picture_leaves_open() -> None:
    sure = track("screen", (0.0, 0.0, 1.0), confidence=0.9).rows
    open_ = track("screen", (10.0, 12.0, 0.0), confidence=0.2, tolerance_s=4.0).rows
    merged = merge_playheads([PlayheadTrack(sure + open_), track("sound", (5.0, 5.2, 1.0), confidence=0.95)])
    at = merged.narration_to_clip(8.0)
    assert at is not None and at.source == "screen" and at.clip_s == 8.0
    at = merged.narration_to_clip(14.0)
    assert at is not None and at.source == "sound" and abs(at.clip_s - 14.2) < 1e-9


def test_no_clip_on_screen_is_not_overruled_by_sound() -> None:
    merged = merge_playheads(
        [track("screen", (0.0, 0.0, 1.0), (10.0, None, 0.0), confidence=0.9), track("sound", (0.0, 0.0, 1.0), confidence=0.95)]
    )
    assert merged.narration_to_clip(12.0) is None


def test_a_row_of_the_user_wins_until_something_happens() -> None:
    found = track("screen", (0.0, 0.0, 1.0), (10.0, 3.0, 0.0), (20.0, 3.0, 1.0), confidence=0.99)
    merged = merge_playheads([found, track("user", (12.0, 3.5, 0.0))])
    seen = [(t, merged.narration_to_clip(t)) for t in (11.0, 13.0, 19.9, 21.0)]
    assert [(round(at.clip_s, 3), at.source) for _, at in seen if at] == [(3.0, "screen"), (3.5, "user"), (3.5, "user"), (4.0, "screen")]


def test_own_rows_are_the_users_whatever_the_file_says(tmp_path: Path) -> None:
    own = tmp_path / "mine.csv"
    own.write_text("narration_s,clip_s,rate\n4.000,9.000,0\n")
    merged, _ = choose_playhead(tmp_path / "talk.wav", PlayheadWish(playhead="straight+1", own_rows=own))
    assert merged is not None
    before, after = merged.narration_to_clip(3.0), merged.narration_to_clip(6.0)
    assert before is not None and before.clip_s == 4.0
    assert after is not None and (after.clip_s, after.source) == (9.0, "user")


def test_a_named_second_places_its_sentence_when_nothing_else_is_known(tmp_path: Path) -> None:
    captions = tmp_path / "talk.vtt"
    captions.write_text(
        "WEBVTT\n\n00:00.000 --> 00:04.000\nLet us watch this one.\n\n"
        "00:04.000 --> 00:08.000\nAt the twelve second mark he looks up.\n\n00:08.000 --> 00:12.000\nThen he is gone.\n"
    )
    named, warnings = with_spoken(None, parse_talk(read_transcript(captions)))
    assert named is not None and warnings == []
    at = named.narration_to_clip(6.0)
    assert at is not None and (at.clip_s, at.source, at.tolerance_s) == (12.0, "spoken", 2.0)
    assert named.narration_to_clip(10.0) is None
    _, warnings = with_spoken(track("recorded", (0.0, 40.0, 0.0)), parse_talk(read_transcript(captions)))
    assert len(warnings) == 1 and "twelve second mark" in warnings[0]


def said_at_half_a_minute(folder: Path, text: str) -> ParsedTalk:
    """A talk of one sentence, from second 30 to 34."""
    (folder / "talk.vtt").write_text(f"WEBVTT\n\n00:30.000 --> 00:34.000\n{text}\n")
    return parse_talk(read_transcript(folder / "talk.vtt"))


def test_a_named_second_does_not_stop_a_clip_that_simply_runs(tmp_path: Path) -> None:
    merged, _ = with_spoken(straight_track(), said_at_half_a_minute(tmp_path, "At the twelve second mark he looks up."))
    assert merged is not None
    seen = [merged.narration_to_clip(t) for t in (10.0, 32.0, 60.0)]
    assert [at and (at.clip_s, at.source) for at in seen] == [(10.0, "user"), (32.0, "user"), (60.0, "user")]


def heard_for_twenty_seconds() -> PlayheadTrack:
    return PlayheadTrack((PlayheadRow(0.0, 0.0, 1.0, source="sound", confidence=0.95), PlayheadRow(20.0, None, 0.0, source="sound")))


def test_where_sound_cannot_tell_nothing_runs_on_because_a_second_is_named(tmp_path: Path) -> None:
    merged, _ = with_spoken(heard_for_twenty_seconds(), said_at_half_a_minute(tmp_path, "At the twelve second mark he looks up."))
    assert merged is not None
    seen = [merged.narration_to_clip(t) for t in (10.0, 25.0, 32.0, 40.0)]
    assert [at and (at.clip_s, at.source) for at in seen] == [(10.0, "sound"), None, (12.0, "spoken"), None]


def test_seconds_that_were_named_before_the_words_were_put_right_are_gone(tmp_path: Path) -> None:
    before, _ = with_spoken(heard_for_twenty_seconds(), said_at_half_a_minute(tmp_path, "At the twelve second mark he looks up."))
    after, _ = with_spoken(before, said_at_half_a_minute(tmp_path, "At the twelfth he looks up."))
    assert after is not None and {row.source for row in after.rows} == {"sound"}
    assert after.narration_to_clip(32.0) is None
    named, _ = with_spoken(None, said_at_half_a_minute(tmp_path, "At the twelve second mark he looks up."))
    assert with_spoken(named, said_at_half_a_minute(tmp_path, "At the twelfth he looks up.")) == (None, [])


def test_a_row_of_the_user_outlives_that_sound_cannot_tell() -> None:
    merged = merge_playheads([heard_for_twenty_seconds(), track("user", (15.0, 7.0, 0.0))])
    at = merged.narration_to_clip(25.0)
    assert at is not None and (at.clip_s, at.source) == (7.0, "user")


def test_sound_that_contradicts_the_picture_is_told() -> None:
    seen = track("screen", (0.0, 0.0, 1.0), confidence=0.9)
    assert differences(seen, track("sound", (2.0, 2.1, 1.0), (8.0, None, 0.0))) == []
    assert len(differences(seen, track("sound", (2.0, 5.0, 1.0), (8.0, None, 0.0)))) == 1
