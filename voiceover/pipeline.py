"""The whole job in its order: audio → words → mentions → possessions → clip time → log."""

from __future__ import annotations

import datetime
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from voiceover.breakdown import OCCASIONS, SITUATIONS, Breakdown, IceTime
from voiceover.errors import OptionError
from voiceover.lexicon.io import DEFAULT_LEXICON, load_lexicon
from voiceover.lexicon.model import Lexicon
from voiceover.media.probe import probe
from voiceover.mentions.candidates import gather_candidates
from voiceover.mentions.context import mentions_of
from voiceover.mentions.encoder import load_encoder
from voiceover.mentions.encoder_weights import LARGE, SMALL
from voiceover.mentions.focus import name_players
from voiceover.mentions.fuzzy import FuzzyFinder
from voiceover.mentions.meaning import MeaningFinder
from voiceover.mentions.merge import decide, decide_by_wording, load_judge
from voiceover.mentions.model import Mention
from voiceover.mentions.ngrams import NgramFinder
from voiceover.mentions.outcome import OutcomeClassifier, rest_of_sentence
from voiceover.mentions.parse import ParsedTalk, Span, known_words, parse_talk
from voiceover.mentions.people import PeopleResolver
from voiceover.mentions.phrases import PhraseFinder
from voiceover.mentions.reader import Reader
from voiceover.mentions.reading import Reading, opinion
from voiceover.mentions.soundalike import MisheardFinder, lexicon_terms
from voiceover.playhead.choose import PlayheadWish, choose_playhead, with_spoken
from voiceover.playhead.stretch import stretch_of
from voiceover.playhead.track import PlayheadTrack
from voiceover.possession_log import build_log, possession_clip_times
from voiceover.possessions import Possession, split_possessions
from voiceover.roster import Roster, lone_focus, read_roster, spoken_names
from voiceover.speech.captions import read_transcript
from voiceover.speech.hint import build_hint
from voiceover.speech.models import Weights, find_weights
from voiceover.speech.saved_words import file_identity, forget_old_words, words_file
from voiceover.speech.transcribe import DEFAULT_BEAM_SIZE, release_model, transcribe
from voiceover.speech.transcript import Transcript
from voiceover.talk_acts import ACTS, ActClassifier
from voiceover.totals import find_totals

Progress = Callable[[str, float, float], None]
"""Told the name of the step, and how many seconds of how many are done."""


@dataclass(frozen=True, slots=True)
class LogOptions:
    """What the coach may say beside the narration; the command line has an option of the same name for each."""

    clip: Path | None = None
    playhead: str | None = None
    """A playhead.csv, `straight`, `straight+SECONDS`, `auto` (found in the picture or the sound of the narration), or `none`.

    None is `auto` where a clip is given, and not being able to tell by sound alone is then no mistake; else `none`."""
    own_playhead: Path | None = None
    """A playhead.csv whose rows win over whatever is found."""
    roster: Path | None = None
    focus: str | None = None
    lexicon: str | Path = DEFAULT_LEXICON
    model: str = "auto"
    transcript: Path | None = None
    from_clip_s: float | None = None
    to_clip_s: float | None = None
    date: str | None = None
    occasion: str = ""
    situation: str = ""
    team: str = ""
    age_group: str = ""
    note: str = ""


def log(narration: Path | str, options: LogOptions | None = None, *, progress: Progress | None = None) -> Breakdown:
    """Turn a narration into a breakdown with its possession log.

    Args:
        narration: any audio or video that FFmpeg reads; with `transcript` it may be absent.
        options: clip, playhead, roster and so on.
        progress: told how far recognition is.
    Raises:
        VoiceoverError: something handed in can't be used; the message is one line.
    """
    options = options or LogOptions()
    _check_ice_time(options)
    narration = Path(narration)
    lexicon = load_lexicon(options.lexicon)
    roster = read_roster(options.roster) if options.roster else Roster()
    if options.focus:
        roster = roster.with_focus(options.focus) if roster.players else lone_focus(options.focus)
    clip_duration_s = _clip_duration(options)
    playhead, warnings = choose_playhead(narration, _playhead_wish(options), progress)
    transcript = _words(narration, options, lexicon, roster, progress)
    present = narration.exists()
    unread = Breakdown(
        narration=narration.name,
        narration_sha256=file_identity(narration) if present else "",
        clip=options.clip.name if options.clip else "",
        clip_duration_s=clip_duration_s,
        from_clip_s=options.from_clip_s,
        to_clip_s=options.to_clip_s,
        ice_time=IceTime(
            date=options.date or (_date_of(narration) if present else ""), occasion=options.occasion,
            situation=options.situation, team=options.team, age_group=options.age_group, note=options.note,
        ),
        roster=list(roster.players),
        playhead=list(playhead.rows) if playhead else [],
        warnings=warnings,
    )  # fmt: skip
    return understand(unread, transcript, lexicon, progress=progress)


def understand(unread: Breakdown, transcript: Transcript, lexicon: Lexicon, *, progress: Progress | None = None) -> Breakdown:
    """Read the words of a talk: everything of a breakdown that comes after recognition.

    Args:
        unread: a breakdown whose roster, playhead, clip and ice time hold; what was read in it before is replaced.
        transcript: the words.
        lexicon: what is looked for.
    """
    if progress:
        progress("understanding (the first time with a lexicon takes a minute)", 0, 0)
    talk = parse_talk(transcript)
    roster = Roster(tuple(unread.roster))
    playhead, contradicted = with_spoken(unread.track(), talk)
    judged = judge_acts(talk)
    people = PeopleResolver(talk, roster, lexicon)
    reading = read_talk(talk, people, lexicon)
    possessions = split_possessions(talk, playhead, players=[p.name for p in roster.focus], acts=judged, reading=reading)
    possessions = name_players(possessions, people, roster)
    mentions, missing = find_mentions(talk, possessions, lexicon, people, playhead, acts=judged, reading=reading)
    rows = build_log(mentions, lexicon, playhead)
    return unread.model_copy(update={
        "narration_duration_s": transcript.duration_narration_s,
        "recognised_by": transcript.source,
        "finders": sorted({f for m in mentions for f in m.found_by.split("+")}),
        "sport": lexicon.sport,
        "lexicon_sha256": lexicon.digest(),
        "playhead": list(playhead.rows) if playhead else [],
        "words": list(transcript.words),
        "breaks": list(transcript.breaks),
        "possessions": possessions,
        "possession_clip_times": [possession_clip_times(p, mentions, playhead) for p in possessions],
        "mentions": mentions,
        "log": rows,
        "totals": find_totals(talk, possessions, rows, clip_duration_s=unread.clip_duration_s),
        "warnings": list(dict.fromkeys([*unread.warnings, *missing, *contradicted])),
    })  # fmt: skip


def judge_acts(talk: ParsedTalk) -> NDArray[np.float32]:
    """What each sentence does in the talk, shape (sentences, 12), as `judge_talk` gives it; all alike where the weights are not installed."""
    encoder = load_encoder(adapted=False)
    if encoder is None:
        return np.full((len(talk.sentences), 2 * len(ACTS)), 1 / len(ACTS), np.float32)
    return ActClassifier(encoder).judge_talk([s.sentence.text for s in talk.sentences])


def read_talk(talk: ParsedTalk, people: PeopleResolver, lexicon: Lexicon) -> Reading:
    """What the reader thinks of a talk; nothing where the weights are not installed."""
    encoder = load_encoder(LARGE)
    return Reading.silent(talk) if encoder is None else Reader(lexicon, encoder).read(talk, people)


def find_mentions(
    talk: ParsedTalk, possessions: list[Possession], lexicon: Lexicon, people: PeopleResolver, playhead: PlayheadTrack | None, *,
    acts: NDArray[np.float32], reading: Reading,
) -> tuple[list[Mention], list[str]]:  # fmt: skip
    """All mentions of a talk, and what the user should know about how they were found."""
    warnings: list[str] = []
    if reading.is_silent:
        warnings.append(f"A talk is not read as a whole without its weights; run: {LARGE.install}")
    names = frozenset(part.lower() for form in spoken_names(people.roster.players) for part in form.split())
    phrases = PhraseFinder(lexicon).find(talk) + FuzzyFinder(lexicon, known_words()).find(talk, names)
    encoder = load_encoder()
    if encoder is None:
        warnings.append(f"Free paraphrase is not understood without its weights; run: {SMALL.install}")
        accepted, _ = decide_by_wording(phrases)
    else:
        references = [people.references(s.index) for s in talk.sentences]
        finder = MeaningFinder(lexicon, encoder)
        candidates = gather_candidates(talk, finder, NgramFinder(lexicon), phrases, references, acts, possessions, reading)
        accepted, _ = decide(candidates, load_judge(), opinion(reading, talk, candidates))
    plain = load_encoder(adapted=False)
    rests = [rest_of_sentence(talk, Span(p.first, p.last)) for p in accepted]
    failed = OutcomeClassifier(plain).failed(rests) if plain is not None else np.zeros(len(accepted))
    return mentions_of(talk, accepted, possessions, people, playhead, told_failed=[float(f) for f in failed], reading=reading), warnings


def _playhead_wish(options: LogOptions) -> PlayheadWish:
    return PlayheadWish(options.playhead, options.own_playhead, options.clip, options.from_clip_s, options.to_clip_s)


def _words(narration: Path, options: LogOptions, lexicon: Lexicon, roster: Roster, progress: Progress | None) -> Transcript:
    if options.transcript:
        duration_s = probe(narration).duration_s if narration.exists() else None
        return read_transcript(options.transcript, duration_narration_s=duration_s)
    return hear_narration(narration, lexicon, roster, model=options.model, progress=progress)


def hear_narration(
    narration: Path, lexicon: Lexicon, roster: Roster, *, model: str = "auto", progress: Progress | None = None
) -> Transcript:
    """Recognise a narration; a run that was stopped goes on from the words that it had heard.

    They stay until `forget_words`, or for a week.

    Raises:
        MediaError: no sound in it that can be read.
        WeightsError: no weights of that name.
        OutputError: the words found so far cannot be kept.
    """
    probe(narration, need_sound=True)
    forget_old_words()
    saved = words_file(file_identity(narration))
    report = (lambda done, total: progress("listening", done, total)) if progress else None
    transcript = hear(narration, find_weights(model), roster, lexicon, saved=saved, progress=report)
    release_model()  # what follows has need of the memory
    return transcript


def hear(
    narration: Path, weights: Weights, roster: Roster, lexicon: Lexicon, *, saved: Path | None = None,
    progress: Callable[[float, float], None] | None = None, beam_size: int = DEFAULT_BEAM_SIZE,
) -> Transcript:  # fmt: skip
    """Recognise a narration with the roster and the lexicon in mind, and put right what was misheard.

    Raises:
        MediaError: no sound in it that can be read.
    """
    hint = build_hint(spoken_names(roster.players), lexicon_terms(lexicon), weights=weights)
    heard = transcribe(narration, weights=weights, hint=hint, saved=saved, progress=progress, beam_size=beam_size)
    return MisheardFinder(roster, lexicon, known_words()).correct(heard)


def _clip_duration(options: LogOptions) -> float | None:
    """Length of the clip, or of the stretch that it is of a longer video, seconds; None where nothing tells it."""
    start_s, end_s = stretch_of(options.clip, options.from_clip_s, options.to_clip_s)
    return None if end_s is None else end_s - start_s


def _check_ice_time(options: LogOptions) -> None:
    for name, value, known in (("occasion", options.occasion, OCCASIONS), ("situation", options.situation, SITUATIONS)):
        if value and value not in known:
            raise OptionError(f"--{name} '{value}': is not known; write one of: {', '.join(known)}")
    if options.date:
        try:
            datetime.date.fromisoformat(options.date)
        except ValueError:
            raise OptionError(f"--date '{options.date}': is no date; write it as 2026-01-31") from None


def _date_of(narration: Path) -> str:
    return datetime.date.fromtimestamp(narration.stat().st_mtime).isoformat()
