"""A copy of a video that every browser plays, with the same pictures at the same times.

Phones film HEVC, cameras film interlaced and in 10 bits, screen recorders write Matroska: a browser plays some of it, and some only
here or there. H.264 with 8-bit 4:2:0 and AAC in MP4 plays everywhere.
"""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction
from pathlib import Path

import av
from av.audio.frame import AudioFrame
from av.audio.resampler import AudioResampler
from av.container import InputContainer, OutputContainer
from av.filter import Graph
from av.video.frame import VideoFrame
from av.video.stream import VideoStream

from voiceover.errors import MediaError
from voiceover.media.audio import SAMPLE_RATE, iter_audio
from voiceover.media.probe import MediaInfo, open_media, probe
from voiceover.media.streams import picture_of
from voiceover.whole_files import whole_file

# What Chromium, Firefox and Safari all play. Profiles above 8 bits 4:2:0 are left out by the pixel format.
PLAYABLE_PICTURES = frozenset({"h264"})
PLAYABLE_SOUNDS = frozenset({"aac", "mp3"})
PLAYABLE_PIXELS = frozenset({"yuv420p", "yuvj420p"})
PLAYABLE_CONTAINERS = frozenset({"mov", "mp4"})
# Nearly transparent at a laptop's size. x264's scale, 0 best to 51.
QUALITY = "20"
# Wider pictures are made this wide: a clip on a page is not shown larger, and a 4K copy would stutter.
MAX_WIDTH = 1920
# Presentation times are kept exact for every usual frame rate: 90 kHz is the clock of MPEG transport streams (ISO/IEC 13818-1).
TIME_BASE = Fraction(1, 90_000)
SOUND_HZ = 48_000
# One picture stored whole for at least this many, so that stepping back on a page is quick.
KEY_EVERY = 15

Progress = Callable[[float, float], None]


def plays_everywhere(path: Path) -> bool:
    """Whether a browser plays a recording as it is.

    Raises:
        MediaError: it cannot be read.
    """
    info = probe(path)
    if info.picture is None:
        return bool({"mp3", "wav", "mov", "mp4"} & set(info.container.split(",")))
    with open_media(path) as container:
        stream = picture_of(container)
        if not PLAYABLE_CONTAINERS & set(info.container.split(",")):
            return False
        codec = stream.codec_context
        pixels = codec.pix_fmt in PLAYABLE_PIXELS
        progressive = not _first_frame(path).interlaced_frame
        sounds = all(track.codec in PLAYABLE_SOUNDS for track in info.audio[:1])
        # An edit list or a late track is handled differently from browser to browser; a copy has neither.
        late = info.zero_s > 0.0 or info.picture.start_s > 0.0
        return codec.name in PLAYABLE_PICTURES and pixels and progressive and sounds and not late


def copy_playable(path: Path, out: Path, *, progress: Progress | None = None) -> Path:
    """Write a copy of a video that every browser plays.

    Each frame keeps its time on the file's clock (zero as in a browser) to 1/90,000 s; a picture that starts late shows its first frame
    from zero on. Rotation is applied, interlaced pictures are made whole, 10 bits become 8. Nothing else of the file is kept: no place,
    device or date.

    Args:
        path: any video.
        out: an .mp4 to write; it appears when it is whole.
        progress: told (seconds done, seconds in all).
    Raises:
        MediaError: it cannot be read or has no moving picture.
        OutputError: the copy cannot be written.
    """
    info = probe(path, need_picture=True)
    # Times are given as they shall be: an edit list or a shift to zero would move the picture.
    options = {"movflags": "+faststart", "avoid_negative_ts": "disabled", "use_editlist": "0"}
    with (
        whole_file(out) as unfinished,
        open_media(path) as source,
        av.open(str(unfinished), "w", format="mp4", options=options) as target,
    ):
        _copy(info, source, target, progress)
    return out


def copy_sound(path: Path, out: Path) -> Path:
    """Write a copy of a recording without picture that every browser plays: its voice as AAC in MP4, on the same clock.

    Raises:
        MediaError: it cannot be read or has no sound.
        OutputError: the copy cannot be written.
    """
    with whole_file(out) as unfinished, av.open(str(unfinished), "w", format="mp4", options={"movflags": "+faststart"}) as target:
        track = target.add_stream("aac", rate=SOUND_HZ, layout="mono")
        resampler = AudioResampler(format="fltp", layout="mono", rate=SOUND_HZ)
        for block in iter_audio(path):
            frame = AudioFrame.from_ndarray(block.samples[None, :], format="fltp", layout="mono")
            frame.sample_rate = SAMPLE_RATE
            for ready in resampler.resample(frame):
                target.mux(track.encode(ready))
        target.mux(track.encode(None))
    return out


def _copy(info: MediaInfo, source: InputContainer, target: OutputContainer, progress: Progress | None) -> None:
    stream = picture_of(source)
    assert info.picture is not None
    stream.thread_type = "AUTO"
    picture = target.add_stream("libx264", rate=info.picture.rate or 30, options={"crf": QUALITY, "preset": "veryfast"})
    first = _first_frame(info.path)
    picture.width, picture.height = _shown(first)
    picture.pix_fmt = "yuv420p"
    picture.time_base = picture.codec_context.time_base = TIME_BASE
    picture.codec_context.max_b_frames = 0  # with B-frames the file would need an edit list to begin at zero
    picture.codec_context.gop_size = KEY_EVERY
    sound = source.streams.audio[0] if source.streams.audio else None
    track = None
    if sound is not None:
        track = target.add_stream("aac", rate=SOUND_HZ, layout="stereo" if sound.codec_context.channels > 1 else "mono")
    resampler = AudioResampler(format="fltp", layout=track.layout, rate=SOUND_HZ) if track is not None else None
    graph = _graph(stream, first)
    waiting: list[int] = []
    last_pts = -1
    sound_at = 0
    for packet in source.demux([s for s in (stream, sound) if s is not None]):
        try:
            frames = packet.decode()
        except av.FFmpegError:
            continue  # a broken spot: the rest is kept
        for frame in frames:
            if isinstance(frame, VideoFrame):
                if frame.pts is None or frame.time_base is None:
                    continue
                at_s = float(frame.pts * frame.time_base) - info.zero_s
                pts = round(at_s * TIME_BASE.denominator)
                if pts <= last_pts or at_s < -0.002:
                    continue
                if last_pts < 0:
                    pts = 0  # a late picture: its first frame stands from zero on
                last_pts = pts
                waiting.append(pts)
                graph.push(frame)
                _encode(graph, waiting, picture, target)
                if progress:
                    progress(at_s, info.duration_s)
            elif (
                isinstance(frame, AudioFrame)
                and track is not None
                and resampler is not None
                and frame.pts is not None
                and frame.time_base is not None
            ):
                at = max(0, round((float(frame.pts * frame.time_base) - info.zero_s) * SOUND_HZ))
                frame.pts = None
                for ready in resampler.resample(frame):
                    ready.pts, ready.time_base = max(sound_at, at), Fraction(1, SOUND_HZ)
                    sound_at = ready.pts + ready.samples
                    target.mux(track.encode(ready))
    graph.push(None)
    _encode(graph, waiting, picture, target)
    target.mux(picture.encode(None))
    if track is not None:
        target.mux(track.encode(None))


def _encode(graph: Graph, waiting: list[int], picture: VideoStream, target: OutputContainer) -> None:
    """Encode what the graph has ready; making interlaced pictures whole keeps one back. Times are those that went in."""
    while waiting:
        try:
            shown = graph.pull()
        except (BlockingIOError, EOFError):
            return
        assert isinstance(shown, VideoFrame)
        shown.pts, shown.time_base = waiting.pop(0), TIME_BASE
        shown.pict_type = 0
        target.mux(picture.encode(shown))


def upright(frame: VideoFrame) -> VideoFrame:
    """A single frame as it is shown: turned upright, 8-bit 4:2:0."""
    width, height = (frame.height, frame.width) if int(frame.rotation) % 180 else (frame.width, frame.height)
    graph = Graph()
    at = graph.add_buffer(width=frame.width, height=frame.height, format=frame.format, time_base=Fraction(1, 1000))
    for name, arguments in [*_turns(frame), ("scale", f"{width // 2 * 2}:{height // 2 * 2}"), ("format", "yuv420p")]:
        step = graph.add(name, arguments) if arguments else graph.add(name)
        at.link_to(step)
        at = step
    at.link_to(graph.add("buffersink"))
    graph.configure()
    graph.push(frame)
    graph.push(None)
    shown = graph.pull()
    assert isinstance(shown, VideoFrame)
    return shown


def _turns(frame: VideoFrame) -> list[tuple[str, str]]:
    turn = int(frame.rotation) % 360
    return {90: [("transpose", "cclock")], 270: [("transpose", "clock")], 180: [("hflip", ""), ("vflip", "")]}.get(turn, [])


def _graph(stream: VideoStream, frame: VideoFrame) -> Graph:
    """Interlaced pictures made whole, turned upright, at most MAX_WIDTH wide, with even sides, 8-bit 4:2:0."""
    graph = Graph()
    width, height = _shown(frame)
    steps: list[tuple[str, str]] = []
    if frame.interlaced_frame:
        steps.append(("yadif", "mode=send_frame"))
    steps += [*_turns(frame), ("scale", f"{width}:{height}"), ("setsar", "1"), ("format", "yuv420p")]
    at = graph.add_buffer(template=stream, format=frame.format, width=frame.width, height=frame.height, time_base=stream.time_base)
    for name, arguments in steps:
        step = graph.add(name, arguments) if arguments else graph.add(name)
        at.link_to(step)
        at = step
    at.link_to(graph.add("buffersink"))
    graph.configure()
    return graph


def _shown(frame: VideoFrame) -> tuple[int, int]:
    """Width and height of the copy, pixels, even."""
    width, height = (frame.height, frame.width) if int(frame.rotation) % 180 else (frame.width, frame.height)
    if width > MAX_WIDTH:
        width, height = MAX_WIDTH, round(height * MAX_WIDTH / width)
    return max(2, width // 2 * 2), max(2, height // 2 * 2)


def _first_frame(path: Path) -> VideoFrame:
    with open_media(path) as container:
        stream = picture_of(container)
        try:
            return next(container.decode(stream))
        except (av.FFmpegError, StopIteration):
            pass
    raise MediaError(f"{path}: no frame could be decoded from it; play it in another program to see whether it is whole")
