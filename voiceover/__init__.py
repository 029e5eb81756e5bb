"""Turns a hockey coach's recorded talk over a clip into a possession log, offline."""

from voiceover.breakdown import Breakdown
from voiceover.errors import VoiceoverError
from voiceover.lexicon.io import load_lexicon
from voiceover.outputs import write_breakdown
from voiceover.pipeline import LogOptions, log

__all__ = ["Breakdown", "LogOptions", "VoiceoverError", "load_lexicon", "log", "write_breakdown"]
