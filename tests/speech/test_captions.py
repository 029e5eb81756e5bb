"""Captions in, captions out; the WebVTT is checked by webvtt-py, a parser that is not ours."""

from __future__ import annotations

import io
import json
from pathlib import Path

import pytest
import webvtt
from hypothesis import given
from hypothesis import strategies as st

from voiceover.errors import TranscriptError
from voiceover.speech.captions import read_transcript, write_vtt
from voiceover.speech.transcript import Transcript, Word


def read(tmp_path: Path, name: str, text: str | bytes, **settings: float) -> Transcript:
    path = tmp_path / name
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return read_transcript(path, **settings)


def texts(transcript: Transcript) -> list[str]:
    return [w.text for w in transcript.words]


def test_vtt_spreads_words_over_the_cue_by_characters(tmp_path: Path) -> None:
    found = read(tmp_path, "a.vtt", "WEBVTT\n\n00:00:10.000 --> 00:00:12.000\nHe looks, then goes.\n")
    assert texts(found) == ["He", "looks,", "then", "goes."]
    # 3 + 7 + 5 + 6 characters, each word with one blank: 2 s / 21 for each.
    assert [w.start_narration_s for w in found.words] == pytest.approx([10.0, 10.286, 10.952, 11.429], abs=0.001)
    assert found.words[-1].end_narration_s == 12.0
    assert {w.timed for w in found.words} == {"captions"}
    assert found.source == "captions"


def test_automatic_captions_that_break_mid_sentence(tmp_path: Path) -> None:
    text = (
        "WEBVTT\n\n00:01.000 --> 00:02.000\nfirst touch he looks\n\n00:02.000 --> 00:03.000\nover his shoulder.\n\n"
        "00:03.000 --> 00:04.000\nGood stick\n\n00:06.000 --> 00:07.000\nand out\n"
    )
    found = read(tmp_path, "a.vtt", text)
    # "looks | over" is no break; after the full stop and after two seconds of silence there is one.
    assert found.breaks == (7, 9)
    assert [s.text for s in found.sentences()][0] == "first touch he looks over his shoulder."


def test_vtt_header_notes_styles_tags_and_entities(tmp_path: Path) -> None:
    text = (
        "\ufeffWEBVTT - rink\nKind: captions\n\nSTYLE\n::cue { color: red }\n\nNOTE nothing\nof this --> is read\n\n"
        "intro\n00:00.500 --> 00:01.500 align:start position:0%\n<v Coach>R&amp;D <c.yellow>is</c> <00:01.000><i>on</i> [music]\n"
    )
    assert texts(read(tmp_path, "a.vtt", text)) == ["R&D", "is", "on"]


def test_srt_with_windows_ends_and_encoding(tmp_path: Path) -> None:
    text = "1\r\n00:00:01,000 --> 00:00:02,500\r\nJos\xe9 has it.\r\n\r\n2\r\n00:00:03,000 --> 00:00:04,000\r\n<i>Off the wall.</i>\r\n"
    found = read(tmp_path, "a.srt", text.encode("cp1252"))
    assert texts(found) == ["José", "has", "it.", "Off", "the", "wall."]
    assert found.breaks == (3,)


def test_srt_without_blank_lines_between(tmp_path: Path) -> None:
    found = read(tmp_path, "a.srt", "1\n00:00:01,000 --> 00:00:02,000\none\n2\n00:00:02,000 --> 00:00:03,000\ntwo\n")
    assert texts(found) == ["one", "two"]


def test_captions_that_roll_up_are_not_read_twice(tmp_path: Path) -> None:
    text = (
        "WEBVTT\n\n00:00.000 --> 00:02.000\nfirst line\n\n00:02.000 --> 00:04.000\nfirst line\nsecond line\n\n"
        "00:04.000 --> 00:06.000\nsecond line\nthird line\n"
    )
    assert " ".join(texts(read(tmp_path, "a.vtt", text))) == "first line second line third line"


def test_a_word_said_twice_stays(tmp_path: Path) -> None:
    text = "WEBVTT\n\n00:00.000 --> 00:01.000\nshoot\n\n00:01.000 --> 00:02.000\nshoot\n"
    assert texts(read(tmp_path, "a.vtt", text)) == ["shoot", "shoot"]


@pytest.mark.parametrize(
    ("name", "text", "says"),
    [
        ("a.vtt", "WEBVTT\n\n00:00:01,0 -> 2\nhi\n", "no caption"),
        ("a.vtt", "WEBVTT\n\n00:00:0x.000 --> 00:00:02.000\nhi\n", "line 3"),
        ("a.vtt", "WEBVTT\n\n00:05.000 --> 00:04.000\nhi\n", "line 3: the caption ends before it starts"),
        ("a.json", "{broken", "broken JSON|not JSON"),
        ("a.json", '{"nothing": 1}', "without 'words' or 'segments'"),
        ("a.json", '{"words": [{"text": "a", "start": 2, "end": 1}]}', "entry 1 ends before it starts"),
        ("a.json", '{"words": [{"text": "a", "start": 2, "end": 3}, {"text": "b", "start": 1, "end": 2}]}', "word 2"),
        ("a.txt", "\0\1\2\3", "not a text"),
        ("a.txt", "  \n \n", "no words"),
        ("a.txt", "", "empty file"),
    ],
)
def test_bad_transcripts(tmp_path: Path, name: str, text: str, says: str) -> None:
    with pytest.raises(TranscriptError, match=says) as caught:
        read(tmp_path, name, text)
    assert str(tmp_path / name) in str(caught.value)
    assert "\n" not in str(caught.value)


def test_missing_and_folder(tmp_path: Path) -> None:
    with pytest.raises(TranscriptError, match="no such file"):
        read_transcript(tmp_path / "none.vtt")
    with pytest.raises(TranscriptError, match="a folder"):
        read_transcript(tmp_path)


def test_captions_of_another_narration(tmp_path: Path) -> None:
    with pytest.raises(TranscriptError, match="of this narration"):
        read(tmp_path, "a.vtt", "WEBVTT\n\n10:00.000 --> 10:01.000\nhi\n", duration_narration_s=60.0)


def test_json_words_keep_everything(tmp_path: Path) -> None:
    words = [
        {"text": "Puck", "start": 1.0, "end": 1.2, "probability": 0.9, "heard": "tuck", "timed": "recognised"},
        {"text": "protection.", "start_narration_s": 1.2, "end_narration_s": 1.9},
    ]
    found = read(tmp_path, "a.json", json.dumps({"words": words}), duration_narration_s=5.0)
    assert found.words == (
        Word("Puck", 1.0, 1.2, 0.9, "tuck", "recognised"),
        Word("protection.", 1.2, 1.9, timed="captions"),
    )
    assert found.duration_narration_s == 5.0


def test_json_segments_as_recognisers_write_them(tmp_path: Path) -> None:
    segments = [
        {"start": 0.0, "end": 1.0, "text": " He goes."},
        {
            "start": 1.0,
            "end": 3.0,
            "text": "Good.",
            "words": [{"word": " Good.", "start": 1.1, "end": 1.5, "probability": 0.7}],
        },
    ]
    found = read(tmp_path, "a.json", json.dumps({"segments": segments}))
    assert [(w.text, w.start_narration_s) for w in found.words] == [("He", 0.0), ("goes.", 0.333), ("Good.", 1.1)]
    assert found.breaks == (2,)


def test_plain_text_is_spread_over_the_narration(tmp_path: Path) -> None:
    found = read(tmp_path, "a.txt", "One two.\n\nThree four", duration_narration_s=20.0)
    assert found.words[0].start_narration_s == 0.0
    assert found.words[-1].end_narration_s == 20.0
    assert found.breaks == (2,)
    assert {w.timed for w in found.words} == {"guessed"}


def parse(text: str) -> list[webvtt.structures.Caption]:
    return list(webvtt.from_buffer(io.StringIO(text)))


def test_written_vtt_is_read_by_another_parser() -> None:
    words = (
        Word("A<b>&c", 0.0, 0.0),
        Word("-->", 0.0, 0.5),
        Word("stop.", 0.5, 0.9),
        Word("Next", 0.9, 0.9),
        Word("one.", 3599.9996, 3600.2),
    )
    captions = parse(write_vtt(Transcript(words, "base")))
    assert [c.start for c in captions] == ["00:00:00.000", "00:00:00.900", "01:00:00.000"]
    assert write_vtt(Transcript(words, "base")).count("-->") == len(captions)
    assert all(c.start < c.end for c in captions)
    assert "A&lt;b&gt;&amp;c" in write_vtt(Transcript(words, "base"))


word_texts = st.text(st.characters(codec="utf-8", exclude_categories=["Cs"]), min_size=1, max_size=12).filter(
    lambda t: bool(t.split()) and t.isprintable()
)


@given(st.lists(st.tuples(word_texts, st.floats(0, 5), st.floats(0, 2)), min_size=1, max_size=12))
def test_whatever_is_said_comes_back(rows: list[tuple[str, float, float]]) -> None:
    at_s, words = 0.0, []
    for text, pause_s, length_s in rows:
        at_s += pause_s
        words.append(Word("".join(text.split()), round(at_s, 3), round(at_s + length_s, 3)))
    transcript = Transcript(tuple(words), "base")
    captions = parse(write_vtt(transcript))
    assert len(captions) == len(transcript.sentences())
    starts = [c.start for c in captions]
    assert starts == sorted(starts)
    assert all(c.start < c.end for c in captions)


def test_nothing_said_is_a_valid_file() -> None:
    assert parse(write_vtt(Transcript((), "base"))) == []
