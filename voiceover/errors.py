"""Everything that can be wrong with what the user handed in, one class for each thing he must fix.

VoiceoverError
├── MediaError        a narration, clip or recording that cannot be opened, has no sound or no picture
├── TranscriptError   captions or a transcript that cannot be read
├── BreakdownError    a breakdown.json that cannot be read
├── LexiconError      a lexicon file with a mistake in it
├── RosterError       a roster file, or a focus player, that does not fit
├── PlayheadError     a playhead file that contradicts itself, or a playhead that cannot be found
├── WeightsError      recognition or meaning weights that are missing or damaged
├── StoreError        a library that cannot be opened, or a breakdown that is not in it
│   └── NoRoomError   a disk without room for what is to be kept
├── OptionError       an option with a value that is not known, or does not fit
└── OutputError       an out folder that cannot be written

A message is one line: the file (and row or line), what was found, what to do. The command line prints it and exits with 2.
A programming mistake (wrong shape, wrong type) raises ValueError or TypeError instead.
"""


class VoiceoverError(Exception):
    """Root of every error whose message is meant for the user."""


class MediaError(VoiceoverError):
    """A media file cannot be opened, or lacks the sound or picture that is needed."""


class TranscriptError(VoiceoverError):
    """Captions or a transcript cannot be read."""


class BreakdownError(VoiceoverError):
    """A breakdown.json cannot be read."""


class LexiconError(VoiceoverError):
    """A lexicon file has a mistake in it."""


class RosterError(VoiceoverError):
    """A roster file has a mistake in it, or the focus player is not on it."""


class PlayheadError(VoiceoverError):
    """A playhead contradicts itself or cannot be found."""


class WeightsError(VoiceoverError):
    """Model weights are missing or damaged."""


class StoreError(VoiceoverError):
    """A library cannot be opened, or something is not in it."""


class NoRoomError(StoreError):
    """The disk has no room for what is to be kept."""


class OptionError(VoiceoverError):
    """An option has a value that is not known, or does not fit."""


class OutputError(VoiceoverError):
    """A result cannot be written."""
