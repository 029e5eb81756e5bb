"""Which stream of a recording is its picture."""

from __future__ import annotations

from av.container import InputContainer
from av.stream import Disposition
from av.video.stream import VideoStream

from voiceover.errors import MediaError


def picture_of(container: InputContainer) -> VideoStream:
    """The stream of the moving picture: the first one that is no cover image.

    Raises:
        MediaError: there is none.
    """
    found = pictures_of(container)
    if not found:
        raise MediaError(f"{container.name}: a recording without a moving picture; name the video file")
    return found[0]


def pictures_of(container: InputContainer) -> list[VideoStream]:
    """All streams of moving pictures: those that are no cover image."""
    return [s for s in container.streams.video if not s.disposition & Disposition.attached_pic]
