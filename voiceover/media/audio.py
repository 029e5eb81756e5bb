"""The sound of a recording as 16 kHz mono on the narration clock, block by block.

What goes wrong elsewhere and is kept right here: a sound track that starts late, timestamps with holes in them, a voice on
one side only or on both sides in opposite phase, a microphone on the second track of a screen recording, and two hours of
it in flat memory.
"""

from __future__ import annotations

import logging
import warnings
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import av
import numpy as np
import numpy.typing as npt
from av.audio.frame import AudioFrame
from av.audio.resampler import AudioResampler

from voiceover.errors import MediaError
from voiceover.media.probe import MIN_DURATION_S, REMEDY_UNREADABLE, MediaInfo, open_media, probe
from voiceover.media.voice import speech_probabilities

with warnings.catch_warnings():
    # pydub 0.25.1 imports audioop, which Python 3.11 and 3.12 announce as leaving, and warns where no ffmpeg program is
    # installed; neither matters here: WAV needs no program.
    warnings.simplefilter("ignore")
    from pydub import AudioSegment

Samples = npt.NDArray[np.float32]
Mix = Callable[[Samples], Samples]

log = logging.getLogger(__name__)

SAMPLE_RATE = 16_000
"""Samples per second of everything that comes out of here: what Whisper and the voice detector were trained on, Hz."""
DEFAULT_BLOCK_S = 20.0
# Timestamps in Matroska are rounded to 1 ms and AAC frames last 21-23 ms: a smaller hole is rounding. Below the 20 ms grid
# of Whisper's own word times.
MAX_DRIFT_S = 0.02
# Timestamps that jump back by more than this are a new count (joined files), not an overlap. Guess, not measured.
MAX_OVERLAP_S = 1.0
# Where the voice is looked for before tracks and channels are chosen: this many stretches spread over the file, of this
# length each. A minute is enough to find the speaker and costs under 1 % of recognition.
VOICE_LOOKS = 6
VOICE_LOOK_S = 10.0
# The plain mix of all channels is kept unless a single channel (or the difference of two) has this much more speech in it, as a
# factor, or is this much louder while the voice speaks, in dB. Guess, checked on made files only.
BETTER_SPEECH = 1.1
BETTER_LEVEL_DB = 9.0
SPEECH_PROBABILITY = 0.5


@dataclass(frozen=True, slots=True)
class AudioBlock:
    """A stretch of sound."""

    start_narration_s: float
    """Where its first sample stands, seconds of narration time."""
    samples: Samples
    """float32 in -1..1, shape (n,), 16 kHz mono."""


def iter_audio(
    path: Path | str,
    *,
    block_s: float = DEFAULT_BLOCK_S,
    from_s: float | None = None,
    to_s: float | None = None,
    track: int | None = None,
) -> Iterator[AudioBlock]:
    """Decode the sound of a recording block by block, without holes and without overlaps.

    Args:
        path: any recording with sound.
        block_s: length of a block, seconds; the last one may be shorter.
        from_s: narration time to begin at, seconds; None for its zero.
        to_s: narration time to end at, seconds; None for the end of the sound.
        track: which sound track, from 0; None chooses the one (and the channel) with the most speech.
    Yields:
        Blocks that follow each other without a gap: silence stands where the file has none (before a late track, in holes).
    Raises:
        MediaError: the file cannot be read, has no sound, or nothing of it can be decoded.
    """
    path = Path(path)
    info = probe(path, need_sound=True)
    chosen, mix = choose_voice(info, track=track)
    begin_s = max(0.0, from_s or 0.0)
    block = max(1, round(block_s * SAMPLE_RATE))
    pending: list[Samples] = []
    held = 0
    position = round(begin_s * SAMPLE_RATE)
    for samples in _decode(info, chosen, mix, begin_s, to_s):
        pending.append(samples)
        held += len(samples)
        while held >= block:
            joined = np.concatenate(pending) if len(pending) > 1 else pending[0]
            yield AudioBlock(position / SAMPLE_RATE, joined[:block])
            position += block
            held -= block
            pending = [joined[block:]]
    if held:
        yield AudioBlock(position / SAMPLE_RATE, np.concatenate(pending))


def read_audio(path: Path | str, *, from_s: float | None = None, to_s: float | None = None, track: int | None = None) -> Samples:
    """The sound of a recording, or of a stretch of it, in one array: float32, shape (n,), 16 kHz mono."""
    blocks = [b.samples for b in iter_audio(path, from_s=from_s, to_s=to_s, track=track)]
    return np.concatenate(blocks) if blocks else np.zeros(0, np.float32)


def choose_voice(info: MediaInfo, *, track: int | None = None) -> tuple[int, Mix]:
    """Find the track and the channel (or the sum, or the difference of two) where somebody speaks.

    Args:
        info: a recording with sound.
        track: a track that the user chose, from 0; None to find it.
    Returns:
        The track, and a function from samples of shape (channels, n) to mono of shape (n,).
    Raises:
        MediaError: there is no such track.
    """
    if track is not None and not 0 <= track < len(info.audio):
        raise MediaError(f"{info.path}: has {len(info.audio)} sound track(s), so no track {track}; tracks count from 0")
    tracks = [track] if track is not None else list(range(len(info.audio)))
    if len(tracks) == 1 and info.audio[tracks[0]].channels == 1:
        return tracks[0], _mean
    best: tuple[float, int, Mix] | None = None
    for i in tracks:
        score, mix = _best_mix(_look(info, i))
        if best is None or score > best[0] * BETTER_SPEECH:
            best = (score, i, mix)
    assert best is not None
    return best[1], best[2]


def _mean(channels: Samples) -> Samples:
    mean: Samples = channels.mean(axis=0, dtype=np.float32) if len(channels) > 1 else channels[0]
    return mean


def _one(i: int) -> Mix:
    return lambda channels: channels[i] if i < len(channels) else _mean(channels)


def _difference(channels: Samples) -> Samples:
    return (channels[0] - channels[1]) * np.float32(0.5) if len(channels) == 2 else _mean(channels)


def _best_mix(channels: Samples) -> tuple[float, Mix]:
    """Seconds of speech in the best mix of some channels, and that mix."""
    count = len(channels)
    singles: list[Mix] = [_one(i) for i in range(count)] if count > 1 else []
    candidates: list[Mix] = [_mean, *singles, *([_difference] if count == 2 else [])]
    scores = [_speech(mix(channels)) for mix in candidates]
    speech_s, level_db = scores[0]
    chosen = 0
    for i in range(1, len(candidates)):
        other_s, other_db = scores[i]
        more_speech = other_s > speech_s * BETTER_SPEECH and other_s > 0.5
        # The same amount of speech, but nearly cancelled in the mix. A mix of a silent and a speaking side loses 6 dB.
        louder = other_s >= speech_s / BETTER_SPEECH and other_s > 0 and other_db > level_db + BETTER_LEVEL_DB
        if more_speech or louder:
            speech_s, level_db, chosen = other_s, other_db, i
    return speech_s, candidates[chosen]


def _speech(samples: Samples) -> tuple[float, float]:
    """How long somebody speaks, seconds, and how loud, dB of full scale."""
    if not len(samples):
        return 0.0, -120.0
    probabilities = speech_probabilities(samples)
    spoken = probabilities >= SPEECH_PROBABILITY
    hop = 512
    voiced = [samples[i * hop : (i + 1) * hop] for i in np.flatnonzero(spoken)]
    return float(spoken.sum()) * hop / SAMPLE_RATE, level_dbfs(np.concatenate(voiced)) if voiced else -120.0


def _look(info: MediaInfo, track: int) -> Samples:
    """Some seconds of all channels from all over a track, shape (channels, n)."""
    length_s = VOICE_LOOKS * VOICE_LOOK_S
    if info.duration_s <= length_s * 1.5:
        starts, each_s = [0.0], info.duration_s + 1.0
    else:
        starts, each_s = [info.duration_s * (i + 0.25) / VOICE_LOOKS for i in range(VOICE_LOOKS)], VOICE_LOOK_S
    found = [part for start_s in starts for part in _decode_channels(info, track, start_s, start_s + each_s)]
    count = max((len(part) for part in found), default=1)
    same = [part for part in found if len(part) == count]
    return np.concatenate(same, axis=1) if same else np.zeros((count, 0), np.float32)


def _decode(info: MediaInfo, track: int, mix: Mix, from_s: float, to_s: float | None) -> Iterator[Samples]:
    for channels in _decode_channels(info, track, from_s, to_s):
        yield np.ascontiguousarray(mix(channels))


def _decode_channels(info: MediaInfo, track: int, from_s: float, to_s: float | None) -> Iterator[Samples]:
    """All channels of a track between two narration times, float32 of shape (channels, n), 16 kHz, without holes."""
    line = _Line(round(from_s * SAMPLE_RATE), None if to_s is None else round(to_s * SAMPLE_RATE))
    damaged = 0
    with open_media(info.path) as container:
        stream = container.streams.audio[track]
        if from_s > 1.0:
            # A second early: a decoder needs some frames before it is right after a jump.
            container.seek(round((from_s + info.zero_s - 1.0) * av.time_base), backward=True)
        try:
            for packet in container.demux(stream):
                try:
                    frames = packet.decode()
                except av.FFmpegError:
                    damaged += 1  # one broken packet: what it held becomes silence, the rest is kept
                    continue
                for frame in frames:
                    yield from line.add(frame, info.zero_s)
                if line.full:
                    break
        except av.FFmpegError as error:
            log.warning("%s: broken after %.1f s of sound (%s)", info.path, line.end / SAMPLE_RATE, error)
        yield from line.finish()
    if damaged:
        log.warning("%s: %d damaged packets of sound were replaced by silence", info.path, damaged)
    if line.heard < MIN_DURATION_S * SAMPLE_RATE and from_s == 0.0 and to_s is None:
        raise MediaError(f"{info.path}: no sound could be decoded from it; {REMEDY_UNREADABLE}")


class _Line:
    """Puts decoded frames on one line of 16 kHz samples by their timestamps."""

    def __init__(self, begin: int, limit: int | None) -> None:
        self.begin = begin
        self.limit = limit
        self.end = begin
        """Where the line ends so far: samples from the narration's zero."""
        self.heard = 0
        """Samples that really came out of the file."""
        self._resampler: AudioResampler | None = None
        self._form: tuple[str, str, int] | None = None
        self._run_start_s = 0.0
        self._run_samples = 0
        self._run_rate = 1
        self._out = 0
        self._channels = 1

    @property
    def full(self) -> bool:
        """Whether everything that was asked for is there."""
        return self.limit is not None and self.end >= self.limit

    def add(self, frame: AudioFrame, zero_s: float) -> Iterator[Samples]:
        """Take the next frame; give what became ready, shape (channels, n)."""
        at_s = None if frame.pts is None or frame.time_base is None else float(frame.pts * frame.time_base) - zero_s
        form = (frame.format.name, frame.layout.name, frame.sample_rate)
        expected_s = self._run_start_s + self._run_samples / self._run_rate
        off_s = 0.0 if at_s is None else at_s - expected_s
        starts = self._resampler is None or form != self._form
        if starts or off_s > MAX_DRIFT_S or -MAX_OVERLAP_S < off_s < -MAX_DRIFT_S:
            yield from self.finish()
            self._form = form
            self._resampler = AudioResampler(format="fltp", layout=frame.layout, rate=SAMPLE_RATE)
            self._channels = frame.layout.nb_channels
            back = at_s is None or (off_s <= -MAX_OVERLAP_S and self.heard > 0)
            self._run_start_s = expected_s if back or at_s is None else at_s
            self._run_samples, self._run_rate, self._out = 0, frame.sample_rate, 0
        self._run_samples += frame.samples
        frame.pts = None  # the line keeps the time; the resampler must not fill or drop anything by itself
        assert self._resampler is not None
        for ready in self._resampler.resample(frame):
            yield from self._put(ready)

    def finish(self) -> Iterator[Samples]:
        """Give what the resampler still holds."""
        if self._resampler is not None:
            for ready in self._resampler.resample(None):
                yield from self._put(ready)
        self._resampler = None

    def _put(self, frame: AudioFrame) -> Iterator[Samples]:
        samples: Samples = frame.to_ndarray().astype(np.float32, copy=False)
        at = round(self._run_start_s * SAMPLE_RATE) + self._out
        self._out += samples.shape[1]
        if at < self.end:
            samples = samples[:, self.end - at :]
            at = self.end
        if self.limit is not None:
            samples = samples[:, : max(0, self.limit - at)]
            at = min(at, self.limit)
        if not samples.shape[1] and self.limit is None:
            return
        hole = at - self.end
        while hole > 0:  # a hole of an hour must not take an hour's memory
            part = min(hole, SAMPLE_RATE * 30)
            yield np.zeros((self._channels, part), np.float32)
            self.end += part
            hole -= part
        if samples.shape[1]:
            self.heard += samples.shape[1]
            self.end += samples.shape[1]
            yield samples


def level_dbfs(samples: Samples) -> float:
    """How loud a stretch is: its root mean square in dB of full scale, -120 for silence or nothing.

    >>> round(level_dbfs(np.full(1600, 0.1, np.float32)))
    -20
    """
    level = float(_segment(samples).dBFS) if len(samples) else -120.0
    return max(-120.0, level)


def _segment(samples: Samples) -> AudioSegment:
    pcm = (np.clip(samples, -1.0, 1.0) * 32767.0).astype("<i2")
    return AudioSegment(data=pcm.tobytes(), sample_width=2, frame_rate=SAMPLE_RATE, channels=1)
