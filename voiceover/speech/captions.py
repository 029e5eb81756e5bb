"""Captions and transcripts that stand in for recognition, and the captions that we write.

Reads WebVTT, SubRip, JSON (our own words, or segments as recognisers write them) and plain text. Writes WebVTT that a strict
parser accepts.
"""

from __future__ import annotations

import html
import json
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from voiceover.errors import TranscriptError
from voiceover.media.probe import check_is_file
from voiceover.speech.transcript import CLOSERS, SENTENCE_ENDS, Sentence, Transcript, Word, check_word_order

# Where a text has no times, its words are spread at this pace. Source: word and sentence times of the project's marked
# narrations, about 2.8 words a second while somebody speaks.
GUESSED_WORDS_PER_S = 2.5
# A silence this long between two captions means that something ended, full stop or not. The same as a sentence's pause.
CAPTION_GAP_S = 1.2
# A caption on screen longer than this many seconds for each of its characters only stays there: its words are spoken at its
# start. A slow speaker needs 0.15 s.
MAX_S_PER_CHARACTER = 0.3
# Transcripts longer than this are a mistake: a book has 1 MB.
MAX_BYTES = 64 << 20

_CLOCK = r"(?:(\d{1,3}):)?(\d{1,2}):(\d{2})[.,](\d{1,3})"
_TIMING = re.compile(rf"^\s*{_CLOCK}\s*-->\s*{_CLOCK}(?:\s.*)?$")
_INNER_TIME = re.compile(rf"<{_CLOCK}>")
_TAG = re.compile(r"</?[a-zA-Z][^<>]*>|</?[cibuv](?:\.[^<>]*)?>|\{\\[^{}]*\}")
_SPEAKER = re.compile(r"^\s*(?:>>+|-)\s*")
# Sounds in brackets are no words: [music], (laughs), ♪.
_SOUND = re.compile(r"\[[^\[\]]*\]|\((?:[A-Za-z ]{1,30})\)|[♪♫]")
_PURE_NUMBER = re.compile(r"^\d+$")


@dataclass(frozen=True, slots=True)
class _Cue:
    start_s: float
    end_s: float
    text: str
    line: int


def read_transcript(path: Path | str, *, duration_narration_s: float | None = None) -> Transcript:
    """Read captions or a transcript.

    Args:
        path: .vtt, .srt, .json, or any other name for plain text; what is inside decides, the name only helps.
        duration_narration_s: length of the narration in seconds; spreads the words of a plain text over it.
    Returns:
        Words in order of time. `breaks` holds the words that begin a caption whose forerunner ended a sentence or a while ago,
        and the paragraphs of a plain text.
    Raises:
        TranscriptError: the file is missing, empty, not text, or has a mistake in it; the message says in which line.
    """
    path = Path(path)
    text = _read_text(path)
    start = text.lstrip()[:4096]
    if start.startswith("WEBVTT") or "-->" in start or path.suffix.lower() in (".vtt", ".srt"):
        words, breaks = _from_cues(path, list(_cues(path, text)), duration_narration_s)
        source = "captions"
    elif start.startswith(("{", "[")) and (path.suffix.lower() == ".json" or _is_json(text)):
        words, breaks = _from_json(path, text, duration_narration_s)
        source = "transcript"
    elif path.suffix.lower() == ".json":
        raise TranscriptError(f"{path}: named .json, but not JSON inside; save it as JSON or name it .txt")
    else:
        words, breaks = _from_plain(text, duration_narration_s)
        source = "transcript"
    if not words:
        raise TranscriptError(f"{path}: no words in it; check that this is the right file")
    check_word_order(words, name=str(path))
    end_s = max(w.end_narration_s for w in words)
    duration_s = max(duration_narration_s, end_s) if duration_narration_s is not None else None
    return Transcript(tuple(words), source, duration_s, breaks=tuple(breaks))


def write_vtt(transcript: Transcript) -> str:
    """A transcript as WebVTT, one caption for each sentence.

    Args:
        transcript: words in order of time.
    Returns:
        The file's text. No words give a file without captions, which is valid too.

    >>> print(write_vtt(Transcript((Word("A<B", 1.0, 1.5), Word("&", 1.5, 1.5)), "captions")))
    WEBVTT
    <BLANKLINE>
    00:00:01.000 --> 00:00:01.500
    A&lt;B &amp;
    <BLANKLINE>
    """
    blocks = ["WEBVTT\n"]
    before_ms = 0
    for sentence in transcript.sentences():
        start_ms = max(before_ms, round(sentence.start_narration_s * 1000))
        end_ms = max(start_ms + 1, round(sentence.end_narration_s * 1000))
        before_ms = start_ms
        blocks.append(f"{_clock(start_ms)} --> {_clock(end_ms)}\n{_payload(sentence)}\n")
    return "\n".join(blocks)


def _payload(sentence: Sentence) -> str:
    # Escaping > as well leaves no "-->", and a line break or a control character would end the caption.
    text = " ".join("".join(c if c.isprintable() else " " for c in sentence.text).split())
    return html.escape(text, quote=False)


def vtt_time(seconds: float) -> str:
    """Seconds as WebVTT writes them: two digits or more of hours, two of minutes and seconds, three of fraction."""
    return _clock(round(seconds * 1000))


def _clock(ms: int) -> str:
    seconds, ms = divmod(ms, 1000)
    minutes, seconds = divmod(seconds, 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours:02d}:{minutes:02d}:{seconds:02d}.{ms:03d}"


def _read_text(path: Path) -> str:
    check_is_file(path, error=TranscriptError)
    try:
        if path.stat().st_size > MAX_BYTES:
            raise TranscriptError(f"{path}: larger than {MAX_BYTES >> 20} MB, no transcript; name the text, not the recording")
        raw = path.read_bytes()
    except OSError as error:
        raise TranscriptError(f"{path}: cannot be read ({error.strerror or error}); check its rights") from error
    if raw[:2] in (b"\xff\xfe", b"\xfe\xff"):
        encodings = ["utf-16"]
    else:
        # Windows' own encoding for captions that older programs wrote; it accepts nearly everything, so binaries are out first.
        encodings = ["utf-8-sig"] if b"\0" in raw else ["utf-8-sig", "cp1252"]
    for encoding in encodings:
        try:
            text = raw.decode(encoding)
        except UnicodeDecodeError:
            continue
        if "\0" not in text:
            return text.replace("\r\n", "\n").replace("\r", "\n")
    raise TranscriptError(f"{path}: not a text; save it as UTF-8 text (.vtt, .srt, .json or .txt)")


def _is_json(text: str) -> bool:
    try:
        json.loads(text)
    except ValueError:
        return False
    return True


# --- captions ---------------------------------------------------------------------------------------------------------


def _cues(path: Path, text: str) -> Iterator[_Cue]:
    """Captions of a WebVTT or SubRip text in the order of the file."""
    lines = text.split("\n")
    i = 0
    if lines and lines[0].startswith("WEBVTT"):
        while i < len(lines) and lines[i].strip() and "-->" not in lines[i]:
            i += 1  # the header block
    while i < len(lines):
        line = lines[i]
        if re.match(r"^(NOTE|STYLE|REGION)(\s|$)", line):
            while i < len(lines) and lines[i].strip():
                i += 1
            continue
        if "-->" not in line:
            i += 1  # blank, or the name or number of a caption
            continue
        timing = _TIMING.match(line)
        if timing is None:
            raise TranscriptError(
                f"{path}, line {i + 1}: cannot read the times '{line.strip()[:60]}'; write them as 00:01:02.345 --> 00:01:04.000"
            )
        start_s, end_s = _seconds(timing.groups()[:4]), _seconds(timing.groups()[4:])
        if end_s < start_s:
            raise TranscriptError(f"{path}, line {i + 1}: the caption ends before it starts; swap or correct the two times")
        first = i
        i += 1
        payload = []
        while i < len(lines) and lines[i].strip() and "-->" not in lines[i]:
            payload.append(lines[i])
            i += 1
        # SubRip without blank lines between captions: the next one's number was taken for text.
        if i < len(lines) and "-->" in lines[i] and payload and _PURE_NUMBER.match(payload[-1].strip()):
            payload.pop()
        yield _Cue(start_s, end_s, "\n".join(payload), first + 1)


def _seconds(groups: Sequence[str | None]) -> float:
    hours, minutes, seconds, part = groups
    return int(hours or 0) * 3600 + int(minutes or 0) * 60 + int(seconds or 0) + int((part or "0").ljust(3, "0")) / 1000


def _from_cues(path: Path, cues: list[_Cue], duration_s: float | None) -> tuple[list[Word], list[int]]:
    if not cues:
        raise TranscriptError(f"{path}: no caption in it; a caption needs a line like 00:01:02.345 --> 00:01:04.000")
    if duration_s is not None and cues[0].start_s > duration_s:
        raise TranscriptError(
            f"{path}, line {cues[0].line}: the first caption is at {cues[0].start_s:.3f} s, the narration is {duration_s:.3f} s"
            " long; take the captions of this narration"
        )
    ordered = sorted(cues, key=lambda c: (c.start_s, c.end_s))
    words: list[Word] = []
    breaks: list[int] = []
    shown: list[str] = []  # lines of the caption before, for captions that roll
    before_end_s = 0.0
    for i, cue in enumerate(ordered):
        lines = [clean for raw in cue.text.split("\n") if (clean := _clean(raw))]
        fresh = lines[_rolled(shown, lines) :] if i and cue.start_s <= before_end_s + 0.05 else lines
        shown = lines or shown
        text = " ".join(fresh)
        if not text:
            before_end_s = max(before_end_s, cue.end_s)
            continue
        # Captions that overlap (two lines of a roll-up) are spoken one after the other.
        end_s = cue.end_s
        if i + 1 < len(ordered) and cue.start_s < ordered[i + 1].start_s < end_s:
            end_s = ordered[i + 1].start_s
        if words and _ends_sentence(words[-1].text, cue.start_s - words[-1].end_narration_s):
            breaks.append(len(words))
        words.extend(_spread(text, max(cue.start_s, words[-1].start_narration_s if words else 0.0), end_s, "captions"))
        before_end_s = max(before_end_s, cue.end_s)
    return words, breaks


def _clean(text: str) -> str:
    """One line of a caption without tags, sounds and marks of speakers."""
    text = _INNER_TIME.sub(" ", text) if _INNER_TIME.search(text) else text
    text = html.unescape(_TAG.sub("", text))
    return " ".join(_SOUND.sub(" ", _SPEAKER.sub("", text)).split())


def _rolled(before: Sequence[str], lines: Sequence[str]) -> int:
    """How many lines of a caption were already in the one before (captions that roll up repeat a line)."""
    for count in range(min(len(before), len(lines)), 0, -1):
        if list(before[-count:]) == list(lines[:count]) and (len(before) > 1 or len(lines) > 1):
            return count
    return 0


def _ends_sentence(text: str, gap_s: float) -> bool:
    """Whether a caption that ends with this word, and this long before the next one, ends a sentence.

    Automatic captions break in the middle of one, so that a caption's end alone means nothing.
    """
    return text.rstrip(CLOSERS).endswith(SENTENCE_ENDS) or gap_s >= CAPTION_GAP_S


def _spread(text: str, start_s: float, end_s: float, timed: str) -> Iterator[Word]:
    """Words of a text with times by their share of its characters."""
    words = text.split()
    weights = [len(w) + 1 for w in words]
    total = sum(weights)
    end_s = max(start_s, min(end_s, start_s + total * MAX_S_PER_CHARACTER))
    done = 0
    for word, weight in zip(words, weights, strict=True):
        begin = start_s + (end_s - start_s) * done / total
        done += weight
        yield Word(word, round(begin, 3), round(start_s + (end_s - start_s) * done / total, 3), timed=timed)


# --- JSON -------------------------------------------------------------------------------------------------------------


def _from_json(path: Path, text: str, duration_s: float | None) -> tuple[list[Word], list[int]]:
    """Our own words, or segments with or without words as recognisers write them."""
    try:
        data = json.loads(text)
    except ValueError as error:
        raise TranscriptError(f"{path}: broken JSON ({error}); export it again") from error
    if isinstance(data, dict) and isinstance(data.get("transcript"), (dict, list)):
        data = data["transcript"]
    rows = data if isinstance(data, list) else None
    if isinstance(data, dict):
        rows = data.get("words") or data.get("segments") or data.get("sentences")
        if rows is None and isinstance(data.get("text"), str):
            return _from_plain(data["text"], duration_s)
    if not isinstance(rows, list) or not all(isinstance(r, (dict, str)) for r in rows):
        raise TranscriptError(f"{path}: JSON without 'words' or 'segments'; give a list of them with text, start and end")
    words: list[Word] = []
    breaks: list[int] = []
    for i, row in enumerate(rows):
        if isinstance(row, str):
            raise TranscriptError(f"{path}: entry {i + 1} has no times; give each text, start and end in seconds")
        inner = row.get("words")
        if isinstance(inner, list) and inner:
            found = [w for k, part in enumerate(inner) for w in _json_words(path, part, f"entry {i + 1}, word {k + 1}", True)]
        else:
            found = list(_json_words(path, row, f"entry {i + 1}", False))
        if words and found and (isinstance(inner, list) or len(found) > 1):
            if _ends_sentence(words[-1].text, found[0].start_narration_s - words[-1].end_narration_s):
                breaks.append(len(words))
        words.extend(found)
    return words, breaks


def _json_words(path: Path, row: Any, where: str, single: bool) -> Iterator[Word]:
    if not isinstance(row, dict):
        raise TranscriptError(f"{path}: {where} is no object; give text, start and end in seconds")
    text = next((row[k] for k in ("text", "word", "punctuated_word", "content") if isinstance(row.get(k), str)), None)
    start_s = _number(row, ("start_narration_s", "start", "start_s"))
    end_s = _number(row, ("end_narration_s", "end", "end_s"))
    if text is None or start_s is None:
        raise TranscriptError(f"{path}: {where} lacks its text or its start; give text, start and end in seconds")
    end_s = start_s if end_s is None else end_s
    if not (0 <= start_s <= end_s):
        raise TranscriptError(f"{path}: {where} ends before it starts ({start_s} to {end_s} s); correct its times")
    probability = _number(row, ("probability", "score", "confidence"))
    pieces = text.split()
    if single or len(pieces) == 1:
        heard = row.get("heard")
        timed = row.get("timed")
        if pieces:
            yield Word(
                " ".join(pieces).replace(" ", ""),
                round(start_s, 3),
                round(end_s, 3),
                probability,
                heard if isinstance(heard, str) else None,
                timed if isinstance(timed, str) else "captions",
            )
    else:
        yield from _spread(text, start_s, end_s, "captions")


def _number(row: dict[str, Any], names: Sequence[str]) -> float | None:
    for name in names:
        value = row.get(name)
        if isinstance(value, (int, float)) and not isinstance(value, bool) and value == value:
            return float(value)
    return None


# --- plain text -------------------------------------------------------------------------------------------------------


def _from_plain(text: str, duration_s: float | None) -> tuple[list[Word], list[int]]:
    """Words of a text without times: spread over the narration, or at an ordinary pace. Empty lines begin a new sentence."""
    words: list[str] = []
    breaks: list[int] = []
    for paragraph in re.split(r"\n\s*\n", text):
        found = paragraph.split()
        if words and found:
            breaks.append(len(words))
        words.extend(found)
    if not words:
        return [], []
    weights = [len(w) + 1 for w in words]
    total_s = duration_s if duration_s else len(words) / GUESSED_WORDS_PER_S
    scale, done = total_s / sum(weights), 0
    out = []
    for word, weight in zip(words, weights, strict=True):
        out.append(Word(word, round(done * scale, 3), round((done + weight) * scale, 3), timed="guessed"))
        done += weight
    return out, breaks
