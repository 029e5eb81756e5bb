"""What recognition makes of coaches' words: python -m voiceover.evaluation.misheard [FOLDER] [--most N]

Narrations of FOLDER (marked_narrations/teaching), 30 sentences of each, are spoken by the voices of flite (in Debian's packages), some with
noise, and recognised with base weights. What was heard for what was said goes to marked_narrations/misheard.tsv, so that the reader
learns from talks as they are heard. Takes ten seconds and more a narration; what was recognised before an interruption is kept.
"""

from __future__ import annotations

import argparse
import difflib
import json
import random
import re
import shutil
import subprocess
import tempfile
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

import numpy as np

from voiceover.cache import cache_folder
from voiceover.evaluation.marked import ROOT, roster_of, teaching_narrations
from voiceover.lexicon.io import load_lexicon
from voiceover.media.audio import SAMPLE_RATE, read_audio
from voiceover.pipeline import hear
from voiceover.reports.wav import write_wav
from voiceover.speech.models import find_weights
from voiceover.speech.numbers import normalise_numbers

TABLE = ROOT / "misheard.tsv"
VOICES = ("slt", "rms", "awb", "kal16")
SENTENCES = 30
# Of the narrations so many are spoken into noise, whose deviation is drawn up to here, of a full scale of 1. Guesses, not measured.
NOISY, LOUDEST = 0.6, 0.03
# Longer runs of other words are where recognition lost its way: they say nothing of the words.
LONGEST = 4
# However often some words were misheard, they are so more seldom from other mouths. Guess, not measured.
MOST = 0.5
# Only words that were misheard once can be so again: with twice their shares 8 % of the words of other narrations are, with these shares 4 %, where
# recognition mishears 10 %.
AS_OFTEN = 2.0
# What is heard now and then and stands in no file of ours.
_UNSEEMLY = re.compile(r"\b(?:shit\w*|fuck\w*|bitch\w*|turds?|dicks?|cocks?|cunts?|porn|crap|rape[ds]?|piss\w*|whores?|sluts?|arse|ass)\b")
_BARE = re.compile(r"[^\w']")

Misheard = Mapping[tuple[str, ...], Sequence[tuple[tuple[str, ...], float]]]
"""For some words that were said, what was heard, each with how often."""


def bare(word: str) -> str:
    """A word in small letters, without punctuation.

    >>> bare("Skates,")
    'skates'
    """
    return _BARE.sub("", word.lower().replace("’", "'"))


def differences(said: Sequence[str], heard: Sequence[str]) -> Iterator[tuple[tuple[str, ...], tuple[str, ...]]]:
    """Where other words were heard than said, both bare.

    >>> list(differences("he poke checks it away".split(), "he puck checks away".split()))
    [(('poke',), ('puck',)), (('it',), ())]
    """
    for kind, a, b, c, d in difflib.SequenceMatcher(None, said, heard, autojunk=False).get_opcodes():
        if kind in ("replace", "delete") and b - a <= LONGEST and d - c <= LONGEST:
            yield tuple(said[a:b]), tuple(heard[c:d])


def read_misheard(path: Path = TABLE) -> Misheard:
    """The table that ships, with what is drawn how often."""
    out: dict[tuple[str, ...], list[tuple[tuple[str, ...], float]]] = {}
    for line in path.read_text(encoding="utf-8").splitlines():
        said, heard, share = line.split("\t")
        out.setdefault(tuple(said.split()), []).append((tuple(heard.split()), min(MOST, AS_OFTEN * float(share))))
    return out


def mishear(words: Sequence[str], misheard: Misheard, draw: random.Random, *, left: frozenset[int] = frozenset()) -> list[tuple[str, int]]:
    """Words as they might be heard, each with the index of the one that was said in its place.

    Args:
        words: as said, with their punctuation, which stays.
        misheard: what may be heard for what.
        draw: what is drawn.
        left: indices of words that are heard well.
    """
    out: list[tuple[str, int]] = []
    plain = [bare(w) for w in words]
    i = 0
    while i < len(words):
        for n in range(min(LONGEST, len(words) - i), 0, -1):
            known = misheard.get(tuple(plain[i : i + n]))
            if known is None or left & set(range(i, i + n)):
                continue
            heard = _drawn(known, draw)
            if heard is not None:
                ending = re.search(r"[.,;:!?]*$", words[i + n - 1])
                texts = [*heard[:-1], heard[-1] + (ending.group() if ending else "")] if heard else []
                out += [(text, i + k * n // len(texts)) for k, text in enumerate(texts)]
                i += n
                break
        else:
            out.append((words[i], i))
            i += 1
    return out


def _drawn(known: Sequence[tuple[tuple[str, ...], float]], draw: random.Random) -> tuple[str, ...] | None:
    """What is heard, or None for what was said."""
    at = draw.random()
    for heard, share in known:
        at -= share
        if at < 0:
            return heard
    return None


def table_of(recognised: Sequence[tuple[Sequence[str], Sequence[str]]], names: frozenset[str]) -> list[str]:
    """Lines of the table: what was said, what was heard, and the share of all the times that it was said.

    Args:
        recognised: words said and words heard, of some narrations.
        names: bare words that somebody is called: the reader never sees them.
    """
    found: Counter[tuple[tuple[str, ...], tuple[str, ...]]] = Counter()
    times: Counter[tuple[str, ...]] = Counter()
    for said, heard in recognised:
        said, heard = [bare(w) for w in said], [bare(w) for w in heard]
        for n in range(1, LONGEST + 1):
            times.update(zip(*(said[k:] for k in range(n)), strict=False))
        found.update(differences(said, [w for w in heard if w]))
    lines = []
    for (said_words, heard_words), count in sorted(found.items()):
        named = names & {*said_words, *(w.removesuffix("'s") for w in said_words)}
        if not named and not _UNSEEMLY.search(" ".join(heard_words)):
            lines.append(f"{' '.join(said_words)}\t{' '.join(heard_words)}\t{min(MOST, count / times[said_words]):.4f}")
    return lines


def recognised(source: Path, kept: Path) -> tuple[list[str], list[str]]:
    """Words said and words heard of a marked narration; what was recognised before is taken from `kept`."""
    saved = kept / f"{source.stem}.json"
    if not saved.exists():
        doc = json.loads(source.read_text(encoding="utf-8"))
        draw = random.Random(source.stem)
        first = draw.randrange(max(1, len(doc["sentences"]) - SENTENCES))
        text = " ".join(s["text"] for s in doc["sentences"][first : first + SENTENCES])
        with tempfile.TemporaryDirectory() as scratch:
            sound = Path(scratch) / "said.wav"
            _speak(text, sound, draw)
            heard = " ".join(w.text for w in hear(sound, find_weights("base"), roster_of(doc), load_lexicon()).words)
        saved.write_text(json.dumps([text.split(), normalise_numbers(heard).split()]), encoding="utf-8")
    said, heard_words = json.loads(saved.read_text(encoding="utf-8"))
    return said, heard_words


def _speak(text: str, target: Path, draw: random.Random) -> None:
    script = target.with_suffix(".txt")
    script.write_text(text, encoding="utf-8")
    stretch = f"duration_stretch={draw.uniform(0.85, 1.1):.2f}"
    subprocess.run(["flite", "-voice", draw.choice(VOICES), "--setf", stretch, "-f", str(script), "-o", str(target)], check=True)
    if draw.random() < NOISY:
        sound = read_audio(target)
        noise = np.random.default_rng(draw.randrange(2**32)).normal(0, draw.uniform(0, LOUDEST), len(sound))
        write_wav(target, [(sound + noise).astype(np.float32)], SAMPLE_RATE)


def main() -> None:
    """Make the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path, nargs="?", default=ROOT / "teaching")
    parser.add_argument("--most", type=int, help="no more narrations than these; some of all are drawn")
    options = parser.parse_args()
    if shutil.which("flite") is None:
        raise SystemExit("flite is not installed; install it (apt-get install flite)")
    sources = teaching_narrations(options.folder)
    random.Random(0).shuffle(sources)
    sources = sources[: options.most]
    kept = cache_folder() / "misheard"
    kept.mkdir(parents=True, exist_ok=True)
    pairs, names = [], set()
    for number, source in enumerate(sources, start=1):
        pairs.append(recognised(source, kept))
        names |= {bare(part) for p in json.loads(source.read_text(encoding="utf-8"))["roster"] for part in p["name"].split()}
        print(f"{number} of {len(sources)}: {source.stem}", flush=True)
    TABLE.write_text("\n".join(table_of(pairs, frozenset(names))) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
