"""How a word sounds, roughly: letters to sounds by rule, so that what was misheard can be found by ear.

A pronunciation dictionary would be surer for common words, but the one on PyPI is GPL, and what is misheard is mostly names,
which no dictionary has. Sounds that recognisers mix up (p/t/k, b/d/g, f/th, m/n, s/z/sh) cost half a letter.
"""

from __future__ import annotations

import re
from functools import lru_cache

from rapidfuzz.distance import Levenshtein

# Applied in order; left: letters, right: sounds. Capitals are sounds without a letter of their own: A (day), E (see),
# I (my), O (go), U (too), T (thing), S (ship), C (chip), N (sing), @ (the unstressed vowel).
_RULES = [
    (r"^kn|^gn|^pn", "n"), (r"^wr", "r"), (r"^ps", "s"), (r"^x", "z"), (r"^wh", "w"), (r"mb$", "m"), (r"tch", "C"),
    (r"sch", "S"), (r"ch", "C"), (r"sh|ti(?=on)|ci(?=an|al|ous)", "S"), (r"si(?=on)", "S"), (r"th", "T"), (r"ph", "f"),
    (r"gh(?=t|$)", ""), (r"gh", "g"), (r"ck|cc(?![eiy])", "k"), (r"c(?=[eiy])", "s"), (r"c|q", "k"), (r"dge|dg", "j"),
    (r"g(?=[eiy])", "j"), (r"ng(?=$|[^aeiou])", "N"), (r"x", "ks"), (r"j", "j"),
    (r"a[iy]|ei(?!$)|a(?=[^aeiouy]e$)", "A"), (r"ee|ea|ie(?=[^r])|e(?=[^aeiouy]e$)", "E"), (r"igh|y(?=$)(?<=^.y)", "I"),
    (r"i(?=[^aeiouy]e$)", "I"), (r"oa|ow$|o(?=[^aeiouy]e$)|oe$", "O"), (r"oo|ew|ue$|u(?=[^aeiouy]e$)", "U"),
    (r"ou|ow", "W"), (r"oy|oi", "Y"), (r"au|aw", "o"), (r"(?<=[^aeiou])e$", ""), (r"er|ir|ur|or$|ar$", "@r"), (r"ey$|y$", "E"),
    (r"y", "i"), (r"(.)\1", r"\1"), (r"h(?=[^aeiouAEIOUWY@]|$)", ""), (r"z", "s"),
]  # fmt: skip
_ALIKE = [set("ptk"), set("bdg"), set("fTv"), set("mnN"), set("sSC"), set("jCS"), set("lr"), set("aeiou@AEIOUWY")]


@lru_cache(maxsize=50_000)
def sounds_of(word: str) -> str:
    """The sounds of a word.

    >>> sounds_of("knee"), sounds_of("phone") == sounds_of("fone")
    ('nE', True)
    """
    out = re.sub(r"[^a-z]", "", word.lower())
    for pattern, sound in _RULES:
        out = re.sub(pattern, sound, out)
    return out


def sounds_alike(a: str, b: str) -> float:
    """How much two runs of sounds resemble each other, 0..1.

    >>> sounds_alike(sounds_of("tuck"), sounds_of("puck")) > sounds_alike(sounds_of("luck"), sounds_of("puck"))
    True
    """
    longest = max(len(a), len(b))
    if not longest:
        return 0.0
    cost = 0.0
    for operation in Levenshtein.editops(a, b):
        if operation.tag == "replace" and any({a[operation.src_pos], b[operation.dest_pos]} <= group for group in _ALIKE):
            cost += 0.5
        elif operation.tag != "replace" and _at(a, b, operation) in "aeiou@h":
            cost += 0.5
        else:
            cost += 1.0
    return 1.0 - cost / longest


def _at(a: str, b: str, operation: object) -> str:
    tag, source, target = operation.tag, operation.src_pos, operation.dest_pos  # type: ignore[attr-defined]
    return a[source] if tag == "delete" else b[target]
