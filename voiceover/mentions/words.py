"""One normal form for a word wherever wordings and talk are compared: tense, number and person set aside."""

from __future__ import annotations

import re
from collections.abc import Sequence
from functools import lru_cache

import snowballstemmer

from voiceover.lexicon.wording import GAP

_PERSONS = frozenset(
    "i me my mine myself you your yours yourself he him his himself she her hers herself they them their theirs"
    " themselves themself we us our ours ourselves ya yer".split()
)
PERSON = "~he"
_PARTICLES = {
    "n't": "not",
    "nt": "not",
    "'s": "'s",
    "'ll": "will",
    "'ve": "have",
    "'re": "be",
    "'d": "would",
    "'m": "be",
}
# Irregular verbs and nouns of the game and of everyday talk; regular endings are the stemmer's business.
_IRREGULAR = {
    form: base
    for base, forms in {
        "be": "am are is was were been being", "have": "has had having", "do": "does did done doing",
        "go": "goes went gone going", "get": "gets got gotten getting", "take": "took taken taking",
        "give": "gave given giving", "come": "came coming", "make": "made making", "see": "saw seen",
        "keep": "kept", "leave": "left leaving", "find": "found", "hold": "held", "lose": "lost losing",
        "win": "won winning", "catch": "caught", "bring": "brought", "throw": "threw thrown", "put": "putting",
        "hit": "hitting", "cut": "cutting", "let": "letting", "read": "reading", "send": "sent", "feed": "fed",
        "lead": "led", "slide": "slid sliding", "swing": "swung", "stick": "stuck", "spin": "spun spinning",
        "drive": "drove driven driving", "ride": "rode ridden riding", "rise": "rose risen", "fall": "fell fallen",
        "feel": "felt", "know": "knew known", "grow": "grew grown", "draw": "drew drawn", "run": "ran running",
        "sit": "sat sitting", "stand": "stood", "steal": "stole stolen", "break": "broke broken", "speak": "spoke spoken",
        "fight": "fought", "buy": "bought", "think": "thought", "sell": "sold", "tell": "told", "say": "said",
        "shoot": "shot", "shut": "shutting", "beat": "beaten", "bite": "bit bitten biting", "hide": "hid hidden hiding",
        "wait": "waited waiting", "freeze": "froze frozen", "forget": "forgot forgotten", "choose": "chose chosen",
        "lift": "lifted lifting", "foot": "feet", "man": "men", "woman": "women", "sneak": "snuck", "drag": "dragged",
        "look": "looked looking", "lean": "leant", "spread": "spreading", "lay": "laid laying", "lie": "lying",
        "begin": "began begun", "swim": "swam", "sweep": "swept", "creep": "crept", "sleep": "slept", "meet": "met",
        "stop": "stopped stopping", "chip": "chipped", "flip": "flipped", "tip": "tipped",
        "pull": "pulled", "push": "pushed", "slow": "slower slowed", "quick": "quicker quickly", "hard": "harder",
    }.items()
    for form in forms.split()
}  # fmt: skip
_WORD = re.compile(r"[a-zà-öø-ÿ0-9]+(?:['’][a-zà-öø-ÿ]+)*", re.IGNORECASE)


@lru_cache(maxsize=1)
def _stemmer() -> snowballstemmer.stemmer:
    return snowballstemmer.stemmer("english")


@lru_cache(maxsize=100_000)
def normal_form(word: str) -> str:
    """The form in which a word is compared.

    >>> normal_form("Looked"), normal_form("her"), normal_form("feet")
    ('look', '~he', 'foot')
    """
    word = word.lower().replace("’", "'").strip('.,;:!?"()')
    if word in _PARTICLES:
        return _PARTICLES[word]
    if word in _PERSONS:
        return PERSON
    if word in _IRREGULAR:
        return _IRREGULAR[word]
    if word.endswith("n't"):
        return "not"
    if word.endswith("'s"):
        word = word[:-2]
    return str(_stemmer().stemWord(word)) or word


def split_words(text: str) -> list[str]:
    """The words of a text without punctuation; hyphens split, apostrophes do not.

    >>> split_words("Head-up, doesn't he?")
    ['Head', 'up', "doesn't", 'he']
    """
    return _WORD.findall(text)


def reading_forms(reading: Sequence[str]) -> list[str]:
    """The normal forms of a reading of a wording, gaps kept as they are.

    >>> reading_forms(["keeps", "his", "head-up"])
    ['keep', '~he', 'head', 'up']
    """
    return [form for word in reading for form in _forms_of_word(word)]


@lru_cache(maxsize=100_000)
def _forms_of_word(word: str) -> tuple[str, ...]:
    return (GAP,) if word == GAP else tuple(map(normal_form, split_words(word)))


def normal_forms(words: Sequence[str]) -> list[str]:
    """`normal_form` of each word."""
    return [normal_form(w) for w in words]
