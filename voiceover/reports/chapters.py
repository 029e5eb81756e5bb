"""Possessions as the chapters of a copy of the clip."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import av

from voiceover.errors import OptionError
from voiceover.media.probe import open_media, probe
from voiceover.media.streams import picture_of
from voiceover.reports.exchange import chapters
from voiceover.reports.privacy import Shared
from voiceover.whole_files import whole_file

OPENING = "Before the first possession"


def write_chapters(shared: Shared, clip: Path, out: Path) -> Path:
    """Copy a clip's picture and sound as they are into an MP4 with a chapter for each possession, and nothing else of the file.

    Raises:
        OptionError: the breakdown has no clip times, or an MP4 cannot hold what the clip is coded in.
        MediaError: the clip cannot be read.
        OutputError: the copy cannot be written.
    """
    found = chapters(shared.breakdown)
    if not found:
        raise OptionError("no possession has a clip time, so there are no chapters; give a playhead")
    if found[0][0] > 0:  # the chapters of an MP4 begin at 0
        found = [(0.0, found[0][0], OPENING), *found]
    probe(clip, need_picture=True)
    with (
        whole_file(out) as unfinished,
        open_media(clip) as source,
        av.open(str(unfinished), "w", format="mp4", options={"movflags": "+faststart"}) as target,
    ):
        wanted = [picture_of(source), *source.streams.audio[:1]]
        try:
            streams = {s.index: target.add_stream_from_template(s) for s in wanted}
        except ValueError as error:
            coded = " and ".join(s.codec_context.name for s in wanted if s.codec_context)
            raise OptionError(
                f"{clip}: is coded in {coded}, which an MP4 cannot hold; export the clip as H.264 with AAC, or share it as otio"
            ) from error
        for stream in streams.values():
            stream.metadata.clear()
        target.set_chapters([
            {"id": i, "start": round(1000 * a), "end": round(1000 * b), "time_base": Fraction(1, 1000), "metadata": {"title": title}}
            for i, (a, b, title) in enumerate(found)
        ])  # fmt: skip
        for packet in source.demux([source.streams[i] for i in streams]):
            if packet.dts is None:
                continue
            packet.stream = streams[packet.stream.index]
            target.mux(packet)
    return out
