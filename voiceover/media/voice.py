"""Where somebody speaks: the voice detector (Silero, as faster-whisper ships it), fed block by block.

faster-whisper's own function wants the whole recording in memory and starts anew with each call; here the detector's
state is carried from block to block, so that two hours cost no more memory than a minute and blocks leave no seam.
"""

from __future__ import annotations

from collections.abc import Iterable
from functools import lru_cache
from typing import Any

import numpy as np
import numpy.typing as npt

Samples = npt.NDArray[np.float32]

WINDOW = 512
"""Samples for which the detector gives one probability: 32 ms at 16 kHz. Silero's own constant."""
CONTEXT = 64
"""Samples before a window that the detector sees too. Silero's own constant."""


class VoiceDetector:
    """Gives the probability of speech for every 32 ms of a sound that comes in pieces."""

    def __init__(self) -> None:
        self._session = _session()
        self._h = np.zeros((1, 1, 128), np.float32)
        self._c = np.zeros((1, 1, 128), np.float32)
        self._context = np.zeros(CONTEXT, np.float32)
        self._rest = np.zeros(0, np.float32)

    def feed(self, samples: Samples) -> npt.NDArray[np.float32]:
        """Probabilities (0..1) of the windows that are complete now, shape (k,); what is left over waits for more."""
        joined = np.concatenate([self._rest, samples]) if len(self._rest) else samples
        count = len(joined) // WINDOW
        self._rest = joined[count * WINDOW :].copy()
        if not count:
            return np.zeros(0, np.float32)
        whole = joined[: count * WINDOW]
        windows = whole.reshape(count, WINDOW)
        before = np.vstack([self._context[None, :], windows[:-1, -CONTEXT:]])
        found, self._h, self._c = self._session.run(
            None,
            {"input": np.concatenate([before, windows], axis=1).astype(np.float32), "h": self._h, "c": self._c},
        )
        self._context = windows[-1, -CONTEXT:].copy()
        return np.asarray(found, np.float32).reshape(-1)

    def finish(self) -> npt.NDArray[np.float32]:
        """Probability of the last, incomplete window, shape (0,) or (1,)."""
        if not len(self._rest):
            return np.zeros(0, np.float32)
        return self.feed(np.zeros(WINDOW - len(self._rest), np.float32))


def speech_probabilities(samples: Samples | Iterable[Samples]) -> npt.NDArray[np.float32]:
    """Probability of speech (0..1) for every 32 ms of a sound, given in one array or in pieces; shape (k,)."""
    detector = VoiceDetector()
    pieces = [samples] if isinstance(samples, np.ndarray) else samples
    found = [detector.feed(piece) for piece in pieces]
    return np.concatenate([*found, detector.finish()])


@lru_cache(maxsize=1)
def _session() -> Any:
    """The detector's onnxruntime session, on one thread."""
    from faster_whisper.vad import get_vad_model  # loading onnxruntime takes a moment: not before it is needed

    return get_vad_model().session
