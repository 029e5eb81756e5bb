"""Reading a lexicon file: YAML with the line of every mistake, CSV for a first list, and `extends:` overlays."""

from __future__ import annotations

import csv
import dataclasses
import io
import re
from functools import lru_cache
from importlib import resources
from pathlib import Path
from typing import Any

import yaml

from voiceover.errors import LexiconError
from voiceover.lexicon.model import Lexicon, Principle
from voiceover.lexicon.wording import readings

SHIPPED = ("ice_hockey", "basketball")
DEFAULT_LEXICON = "ice_hockey"
# The same in C where PyYAML was built with it, and much faster.
YAML_LOADER: Any = getattr(yaml, "CSafeLoader", yaml.SafeLoader)
_ID = re.compile(r"[a-z0-9]+(-[a-z0-9]+)*")
_TOP_KEYS = {"sport", "version", "families", "words", "principles", "extends", "nothing", "people", "change", "retire"}
_LISTS = ("say", "lacking", "failing", "not", "replaces")
_ENTRY_KEYS = {"id", "name", "family", "definition", "coach_cue", *_LISTS}


def shipped_lexicon_path(name: str) -> Path:
    """Where a shipped lexicon lies: beside the package in a checkout, inside it in a wheel."""
    for folder in (
        Path(str(resources.files("voiceover"))) / "lexicons",
        Path(__file__).resolve().parents[2] / "lexicon",
    ):
        path = folder / f"{name}.yaml"
        if path.exists():
            return path
    raise LexiconError(f"no shipped lexicon '{name}'; shipped are {', '.join(SHIPPED)}")


@lru_cache(maxsize=2)
def shipped_lines(name: str) -> dict[str, tuple[str, ...]]:
    """Lists of lines, by what they teach, of a shipped file that is no lexicon of principles ("talk", "outcomes")."""
    taught = yaml.load(shipped_lexicon_path(name).read_text(encoding="utf-8"), Loader=YAML_LOADER)
    return {what: tuple(lines) for what, lines in taught.items() if isinstance(lines, list)}


def load_lexicon(source: str | Path = DEFAULT_LEXICON) -> Lexicon:
    """Read a lexicon.

    Args:
        source: the name of a shipped one, or a .yaml or .csv file.
    Raises:
        LexiconError: the first mistake, with file, line and what to write.
    """
    return _load_shipped(str(source)) if str(source) in SHIPPED else _load(Path(source))


def shipped_for(sport: str) -> Lexicon | None:
    """The shipped lexicon of a sport; None where none is shipped for it."""
    return next((lexicon for lexicon in map(load_lexicon, SHIPPED) if lexicon.sport == sport), None)


@lru_cache(maxsize=len(SHIPPED))
def _load_shipped(name: str) -> Lexicon:
    """Read once: a second of work, asked for by several stages."""
    return _load(shipped_lexicon_path(name))


def _load(path: Path) -> Lexicon:
    lexicon, mistakes = read_lexicon(path)
    if lexicon is None or mistakes:
        raise LexiconError(mistakes[0])
    return lexicon


def read_lexicon(path: Path) -> tuple[Lexicon | None, list[str]]:
    """Read a lexicon file and list all its mistakes, each one line with file, line and remedy."""
    try:
        text = path.read_text(encoding="utf-8-sig")
    except OSError as error:
        return None, [f"{path}: cannot be read ({error.strerror}); give a lexicon file or one of {', '.join(SHIPPED)}"]
    except UnicodeDecodeError:
        return None, [f"{path}: is not UTF-8 text; save it as UTF-8"]
    if path.suffix.lower() == ".csv":
        return _read_csv(path, text)
    return _Reader(path, text).read()


def _read_csv(path: Path, text: str) -> tuple[Lexicon | None, list[str]]:
    reader = csv.DictReader(io.StringIO(text))
    if not {"id", "name"} <= set(reader.fieldnames or ()):
        return None, [f"{path}: line 1: needs the columns id and name; also used: family, definition, say, coach_cue"]
    mistakes: list[str] = []
    principles: list[Principle] = []
    for line, row in enumerate(reader, start=2):
        entry = {k: (v or "").strip() for k, v in row.items() if k}
        if not _ID.fullmatch(entry["id"]):
            mistakes.append(f"{path}: line {line}: id '{entry['id']}'; write lower-case letters, digits and hyphens")
        if entry["id"] in {p.id for p in principles}:
            mistakes.append(f"{path}: line {line}: id '{entry['id']}' is there already; give each principle its own")
        say = tuple(w.strip() for w in entry.get("say", "").split(";") if w.strip()) or (entry["name"].lower(),)
        principles.append(
            Principle(
                entry["id"], entry["name"], entry.get("family", ""), entry.get("definition", ""), say,
                coach_cue=entry.get("coach_cue", ""),
            )
        )  # fmt: skip
    families = {p.family: p.family.replace("-", " ").capitalize() for p in principles if p.family}
    return Lexicon(path.stem.replace("_", " "), "1", tuple(principles), families), mistakes


def _look_alike(text: str) -> tuple[str, str]:
    """A line under `not`: the wording, and the id behind `->` where it tells another principle."""
    wording, _, other = text.partition(" -> ")
    return wording.strip(), other.strip()


class _Reader:
    """Walks the YAML nodes, which know their lines, and collects mistakes instead of stopping at the first."""

    def __init__(self, path: Path, text: str) -> None:
        self.path, self.text = path, text
        self.mistakes: list[str] = []

    def wrong(self, node: yaml.Node | None, what: str) -> None:
        line = node.start_mark.line + 1 if node is not None else 1
        self.mistakes.append(f"{self.path}: line {line}: {what}")

    def read(self) -> tuple[Lexicon | None, list[str]]:
        try:
            root = yaml.compose(self.text, Loader=YAML_LOADER)
        except yaml.YAMLError as error:
            mark = getattr(error, "problem_mark", None)
            line = mark.line + 1 if mark else 1
            problem = getattr(error, "problem", None) or "not valid YAML"
            return None, [f"{self.path}: line {line}: {problem}; check the indentation, colons and quotes near this line"]
        if not isinstance(root, yaml.MappingNode):
            return None, [f"{self.path}: line 1: is no lexicon; begin with 'sport:' and 'principles:' (or 'extends:')"]
        top = self.mapping(root, _TOP_KEYS, "the lexicon")
        base = self.base(top.get("extends"))
        classes = dict(base.word_classes) if base else {}
        for name, node in self.mapping_of(top.get("words")).items():
            classes[name] = self.strings(node)
        people = dict(base.people) if base else {}
        for name, node in self.mapping_of(top.get("people")).items():
            if name not in ("focus", "teammate", "opponent"):
                self.wrong(node, f"people: '{name}'; use focus, teammate or opponent")
            people[name] = people.get(name, ()) + self.strings(node)
        families = dict(base.families) if base else {}
        families.update({k: self.string(v) for k, v in self.mapping_of(top.get("families")).items()})
        principles = list(base.principles) if base else []
        seen = {p.id for p in principles}
        for node in self.items(top.get("principles")):
            entry = self.principle(node, families, classes)
            if entry is None:
                continue
            if entry.id in seen:
                self.wrong(node, f"id '{entry.id}' is there already; give each principle its own id, or use 'change:'")
                continue
            seen.add(entry.id)
            principles = [dataclasses.replace(p, retired=True) if p.id in entry.replaces and base else p for p in principles]
            principles.append(entry)
        for node in self.items(top.get("change")):
            principles = self.change(node, principles, families, classes)
        principles = self.retire(top.get("retire"), principles)
        if not principles:
            self.wrong(root, "has no principles; add an entry with id, name, family, definition and say")
        ids = {p.id for p in principles} | {old for p in principles for old in p.replaces}
        for p in principles:
            for wording, other in p.look_alikes:
                if other and other not in ids:
                    self.wrong(
                        root,
                        f"'{p.id}', not: '{wording} -> {other}': no principle '{other}'; write an id of the lexicon",
                    )
        lexicon = Lexicon(
            self.string(top.get("sport")) or (base.sport if base else self.path.stem),
            self.string(top.get("version")) or (base.version if base else "1"),
            tuple(principles),
            families,
            classes,
            people,
            (base.nothing if base else ()) + self.strings(top.get("nothing")),
        )
        return lexicon, self.mistakes

    def base(self, node: yaml.Node | None) -> Lexicon | None:
        if node is None:
            return None
        name = self.string(node)
        try:
            beside = self.path.parent / name
            return load_lexicon(beside if beside.is_file() else name)
        except LexiconError as error:
            self.wrong(node, f"extends '{name}', which cannot be used: {error}")
            return None

    def retire(self, node: yaml.Node | None, principles: list[Principle]) -> list[Principle]:
        gone = set(self.strings(node))
        unknown = gone - {p.id for p in principles}
        for principle_id in sorted(unknown):
            self.wrong(node, f"retire: no principle '{principle_id}'; write an id of the lexicon")
        return [dataclasses.replace(p, retired=True) if p.id in gone else p for p in principles]

    def change(
        self,
        node: yaml.Node,
        principles: list[Principle],
        families: dict[str, str],
        classes: dict[str, tuple[str, ...]],
    ) -> list[Principle]:
        """Wordings are added to the entry; a name, definition or cue takes the place of the old one."""
        entry = self.mapping(node, _ENTRY_KEYS, "an entry under change")
        principle_id = self.string(entry.get("id"))
        if principle_id not in {p.id for p in principles}:
            self.wrong(node, f"change: no principle '{principle_id}'; write an id of the lexicon that this one extends")
            return principles
        lists = {k: self.wordings(entry.get(k), classes) for k in ("say", "lacking", "failing", "not")}
        out = []
        for p in principles:
            if p.id == principle_id:
                p = dataclasses.replace(
                    p,
                    name=self.string(entry.get("name")) or p.name,
                    definition=self.string(entry.get("definition")) or p.definition,
                    coach_cue=self.string(entry.get("coach_cue")) or p.coach_cue,
                    family=self.string(entry.get("family")) or p.family,
                    say=p.say + lists["say"],
                    lacking=p.lacking + lists["lacking"],
                    failing=p.failing + lists["failing"],
                    look_alikes=p.look_alikes + tuple(map(_look_alike, lists["not"])),
                )
                if families and p.family not in families:
                    self.wrong(node, f"family '{p.family}' is not under families; add it there")
            out.append(p)
        return out

    def principle(self, node: yaml.Node, families: dict[str, str], classes: dict[str, tuple[str, ...]]) -> Principle | None:
        entry = self.mapping(node, _ENTRY_KEYS, "a principle")
        principle_id, name, family = (self.string(entry.get(k)) for k in ("id", "name", "family"))
        for key in ("id", "name", "family", "definition"):
            if not self.string(entry.get(key)):
                self.wrong(node, f"a principle without '{key}:'; add it")
        if principle_id and not _ID.fullmatch(principle_id):
            self.wrong(entry["id"], f"id '{principle_id}'; write lower-case letters, digits and hyphens, such as puck-cut")
        if family and family not in families:
            self.wrong(entry["family"], f"family '{family}' is not under families; add '{family}: its name' there")
        say = self.wordings(entry.get("say"), classes)
        if not say:
            self.wrong(node, f"'{principle_id}' has no wordings; write 'say:' and under it what a coach says for it")
        if not principle_id:
            return None
        return Principle(
            principle_id,
            name,
            family,
            self.string(entry.get("definition")),
            say,
            self.wordings(entry.get("lacking"), classes),
            self.wordings(entry.get("failing"), classes),
            tuple(map(_look_alike, self.wordings(entry.get("not"), classes))),
            self.string(entry.get("coach_cue")),
            replaces=self.strings(entry.get("replaces")),
        )

    def wordings(self, node: yaml.Node | None, classes: dict[str, tuple[str, ...]]) -> tuple[str, ...]:
        out: list[str] = []
        for item in self.items(node):
            text = self.string(item)
            try:
                readings(_look_alike(text)[0], classes)
            except LexiconError as error:
                self.wrong(item, str(error))
                continue
            if text in out:
                self.wrong(item, f"'{text}' stands twice under this principle; delete one")
            else:
                out.append(text)
        return tuple(out)

    def mapping_of(self, node: yaml.Node | None) -> dict[str, yaml.Node]:
        if node is None:
            return {}
        if not isinstance(node, yaml.MappingNode):
            self.wrong(node, "expected 'name: value' lines here")
            return {}
        return {str(key.value): value for key, value in node.value}

    def mapping(self, node: yaml.Node, known: set[str], what: str) -> dict[str, yaml.Node]:
        if not isinstance(node, yaml.MappingNode):
            self.wrong(node, f"{what} must be 'key: value' lines")
            return {}
        out: dict[str, yaml.Node] = {}
        for key, value in node.value:
            if key.value not in known:
                self.wrong(key, f"unknown key '{key.value}' in {what}; use one of {', '.join(sorted(known))}")
            elif key.value in out:
                self.wrong(key, f"key '{key.value}' stands twice in {what}; join them")
            out[str(key.value)] = value
        return out

    def items(self, node: yaml.Node | None) -> list[Any]:
        if node is None or (isinstance(node, yaml.ScalarNode) and not node.value):
            return []
        if not isinstance(node, yaml.SequenceNode):
            self.wrong(node, "expected a list here: one line for each, beginning with '- '")
            return []
        return list(node.value)

    def strings(self, node: yaml.Node | None) -> tuple[str, ...]:
        return tuple(self.string(item) for item in self.items(node))

    def string(self, node: yaml.Node | None) -> str:
        if node is None:
            return ""
        if not isinstance(node, yaml.ScalarNode):
            self.wrong(node, "expected a text here; put it in quotes if it has a colon or a bracket")
            return ""
        return str(node.value).strip()
