"""What is in a recording: its tracks, and where its clock stands at zero.

PyAV is the one way into FFmpeg: it brings its own FFmpeg, so that nothing else must be installed.

The clock: zero is what a browser's `currentTime` shows as 0, the earliest moment at which anything is presented once edit
lists and encoder padding have been taken away. A stream's `start_s` says how long after that zero it begins.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import av
from av.audio.stream import AudioStream
from av.container import InputContainer
from av.video.stream import VideoStream

from voiceover.errors import MediaError
from voiceover.media.streams import pictures_of

# FFmpeg would follow a playlist to wherever it points, or draw a text file as a picture. Names of FFmpeg's demuxers.
NOT_RECORDINGS = frozenset({"hls", "dash", "concat", "tty", "rtsp", "sdp", "applehttp"})
# Sample rates outside of this are a damaged header: telephone archives go down to 4 kHz, studio masters up to 384 kHz.
PLAUSIBLE_RATES_HZ = (2_000, 768_000)
# Shorter than the shortest spoken syllable: nothing to work on.
MIN_DURATION_S = 0.05

# What PyAV names in place of a file where a decoder fails.
_DECODING = ("avcodec_send_packet()", "avcodec_receive_frame()")

REMEDY_UNREADABLE = "play it in another program to see whether it is whole, or export it again as MP4, WAV or MP3"


@dataclass(frozen=True, slots=True)
class AudioTrack:
    """One sound track of a recording."""

    index: int
    """Which of the sound tracks, from 0."""
    codec: str
    channels: int
    sample_rate: int
    """Samples per second and channel, Hz."""
    start_s: float
    """When its first sample is presented, seconds on the file's clock."""
    title: str = ""
    """The name that the recorder gave to the track; empty where it gave none."""


@dataclass(frozen=True, slots=True)
class Picture:
    """The video stream of a recording; a cover image doesn't count."""

    codec: str
    width: int
    """Pixels as stored, before rotation."""
    height: int
    """Pixels as stored, before rotation."""
    rate: Fraction | None
    """Average frames per second; None where the file does not say."""
    start_s: float
    """When its first frame is presented, seconds on the file's clock."""
    rotation: int = 0
    """Degrees by which the stored picture is turned counter-clockwise to be shown: 0, 90, 180 or 270."""

    @property
    def shown_size(self) -> tuple[int, int]:
        """Width and height in pixels as a player shows them."""
        return (self.height, self.width) if self.rotation in (90, 270) else (self.width, self.height)


@dataclass(frozen=True, slots=True)
class MediaInfo:
    """What a recording holds. All times are seconds on its own clock, zero as in a browser."""

    path: Path
    duration_s: float
    """Length from zero to the end of its longest stream."""
    zero_s: float
    """Where FFmpeg's timestamps stand at zero: subtract it from them to be on the file's clock."""
    audio: tuple[AudioTrack, ...]
    picture: Picture | None
    container: str
    """FFmpeg's name of the file format."""

    @property
    def has_picture(self) -> bool:
        """Whether there is a moving picture."""
        return self.picture is not None


@contextmanager
def open_media(path: Path) -> Iterator[InputContainer]:
    """Open a recording for reading, and say in one line what is wrong with it where that fails, then or later.

    Raises:
        MediaError: it is missing, a folder, empty, not readable, no recording, or breaks off while it is read.
    """
    check_is_file(path)
    try:
        with path.open("rb") as file:
            beginning = file.read(64)
        # FFmpeg keeps asking for the parts of a live playlist for ever, even of those that it may not open.
        if beginning.lstrip(b"\xef\xbb\xbf \r\n").startswith(b"#EXTM3U"):
            raise MediaError(f"{path}: a text or a playlist, no recording; name the sound or video file itself")
        # Only this file: a recording that points to others, or into the network, is not followed.
        container = av.open(str(path), mode="r", metadata_errors="ignore", options={"protocol_whitelist": "file"})
    except PermissionError as error:
        raise MediaError(f"{path}: not allowed to read it; give yourself the right to read the file") from error
    except (av.FFmpegError, OSError, ValueError) as error:
        raise MediaError(f"{path}: no recording that can be read ({_reason(error)}); {REMEDY_UNREADABLE}") from error
    try:
        if NOT_RECORDINGS & set(container.format.name.split(",")):
            raise MediaError(f"{path}: a text or a playlist, no recording; name the sound or video file itself")
        yield container
    except av.FFmpegError as error:
        # What writes a copy meanwhile may fail as well: that is not this recording's fault.
        if error.filename not in (str(path), *_DECODING):
            raise
        raise MediaError(f"{path}: cannot be read to its end ({_reason(error)}); {REMEDY_UNREADABLE}") from error
    finally:
        container.close()


def check_is_file(path: Path, *, error: type[Exception] = MediaError) -> None:
    """Refuse what is no file with anything in it.

    Raises:
        error: it is missing, a folder or empty.
    """
    if path.is_dir():
        raise error(f"{path}: a folder; name one file in it")
    if not path.exists():
        raise error(f"{path}: no such file; check the name and the folder")
    if path.is_file() and path.stat().st_size == 0:
        raise error(f"{path}: an empty file (0 bytes); copy or record it again")


def probe(path: Path | str, *, need_sound: bool = False, need_picture: bool = False) -> MediaInfo:
    """Look into a recording.

    Args:
        path: any audio or video file that FFmpeg reads.
        need_sound: refuse a file without a usable sound track.
        need_picture: refuse a file without a moving picture.
    Returns:
        Its tracks and its clock; `audio` is empty and `picture` None where there is none.
    Raises:
        MediaError: it cannot be read, is damaged, or lacks what is needed.
    """
    path = Path(path)
    with open_media(path) as container:
        pictures = pictures_of(container)
        sounds = list(container.streams.audio)
        if not pictures and not sounds:
            raise MediaError(f"{path}: neither sound nor moving picture in it; name the recording itself")
        if need_sound and not sounds:
            raise MediaError(f"{path}: a video without sound; record it with the microphone on, or name the sound file")
        if need_picture and not pictures:
            raise MediaError(f"{path}: a recording without a moving picture; name the video file")
        for sound in sounds:
            _check_sound(path, sound)
        for shown in pictures:
            _check_picture(path, shown)
        streams: list[AudioStream | VideoStream] = [*sounds, *pictures]
        starts = {s.index: _start_s(s) for s in streams}
        zero_s = min(starts.values())
        duration_s = _duration_s(container, zero_s)
        picture = _picture(container, pictures[0], starts[pictures[0].index] - zero_s) if pictures else None
        audio = tuple(
            AudioTrack(
                index=i,
                codec=s.codec_context.name,
                channels=s.codec_context.channels,
                sample_rate=s.codec_context.sample_rate,
                start_s=round(starts[s.index] - zero_s, 6),
                title=str(s.metadata.get("title", "")),
            )
            for i, s in enumerate(sounds)
        )
        container_name = container.format.name
    if duration_s < MIN_DURATION_S:
        raise MediaError(f"{path}: only {duration_s:.3f} s long or cut off after its header; copy or record it again")
    return MediaInfo(path, round(duration_s, 6), zero_s, audio, picture, container_name)


def _check_sound(path: Path, stream: AudioStream) -> None:
    """Refuse a sound track whose header cannot be true."""
    codec = stream.codec_context
    if codec is None:
        raise MediaError(f"{path}: its sound is in a form that FFmpeg doesn't know; export it again as WAV or MP3")
    low, high = PLAUSIBLE_RATES_HZ
    if not low <= codec.sample_rate <= high or codec.channels < 1:
        raise MediaError(
            f"{path}: its header is damaged ({codec.sample_rate} samples a second, {codec.channels} channels); {REMEDY_UNREADABLE}"
        )


def _check_picture(path: Path, stream: VideoStream) -> None:
    """Refuse a picture that cannot be decoded."""
    if stream.codec_context is None:
        raise MediaError(f"{path}: its picture is in a form that FFmpeg doesn't know; export it again as MP4 (H.264)")


def _start_s(stream: AudioStream | VideoStream) -> float:
    """When a stream begins by FFmpeg's timestamps, seconds; what is before 0 is encoder padding and never presented."""
    if stream.start_time is None or stream.time_base is None:
        return 0.0
    return max(0.0, float(stream.start_time * stream.time_base))


def _duration_s(container: InputContainer, zero_s: float) -> float:
    """Length from zero, seconds: as the file says, else (a browser's WebM does not say) by reading all packets."""
    if container.duration is not None and container.duration > 0:
        return float(container.duration) / av.time_base
    end_s = 0.0
    try:
        for packet in container.demux():
            if packet.pts is not None and packet.time_base is not None:
                end_s = max(end_s, float((packet.pts + (packet.duration or 0)) * packet.time_base))
    except av.FFmpegError:
        pass  # cut off in the middle: what came before counts
    return max(0.0, end_s - zero_s)


def _picture(container: InputContainer, stream: VideoStream, start_s: float) -> Picture:
    codec = stream.codec_context
    rate = stream.average_rate or stream.guessed_rate
    rotation = 0
    try:
        container.seek(0)
        frame = next(container.decode(stream))
        rotation = int(frame.rotation) % 360
    except (av.FFmpegError, StopIteration, OSError):
        pass  # a picture that cannot be decoded is reported by whoever needs its frames
    return Picture(
        codec=codec.name,
        width=codec.width,
        height=codec.height,
        rate=Fraction(rate) if rate else None,
        start_s=round(start_s, 6),
        rotation=rotation,
    )


def _reason(error: Exception) -> str:
    """FFmpeg's own words for a failure, without the path and the number."""
    words = getattr(error, "strerror", None) or str(error)
    return str(words).strip().rstrip(".").lower() or type(error).__name__
