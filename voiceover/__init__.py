"""Turns a hockey coach's recorded talk over a clip into a possession log, offline."""

from voiceover.breakdown import Breakdown
from voiceover.errors import OutputError, VoiceoverError
from voiceover.lexicon.io import load_lexicon
from voiceover.outputs import log_frame, write_breakdown
from voiceover.pipeline import LogOptions, log

__all__ = ["Breakdown", "LogOptions", "OutputError", "VoiceoverError", "load_lexicon", "log", "log_frame", "write_breakdown"]
