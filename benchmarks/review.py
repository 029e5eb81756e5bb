"""How quick the review is: for the page, for the server, and for the coach's fingers.

python benchmarks/review.py              opening, editing and listing large things, and one marked narration corrected by keys
python benchmarks/review.py --marked N   correct another of the marked narrations that the project carries (default 01)

Needs Chromium and Playwright.
"""

from __future__ import annotations

import argparse
import dataclasses
import json
import shutil
import statistics
import sys
import tempfile
import threading
import time
from collections import defaultdict
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import httpx
import uvicorn
from playwright.sync_api import Page, sync_playwright

from voiceover import Breakdown
from voiceover.evaluation.marked import ROOT, prepare, read_folder
from voiceover.mentions.model import STATUSES
from voiceover.review_app.security import Gate, cookie_name
from voiceover.review_app.serve import LOOPBACK_NAMES
from voiceover.review_app.server import make_app
from voiceover.store.library import Library
from voiceover.store.tables import BreakdownRow

ARGUMENTS = ["--no-sandbox", "--disable-background-networking", "--disable-component-update", "--disable-sync", "--no-first-run"]
# The keystroke-level model of Card, Moran and Newell (1980), Communications of the ACM 23(7): a key of an average typist, pointing, and
# making up one's mind, seconds.
KEY_S, POINT_S, MIND_S = 0.28, 1.1, 1.35
# Half a minute of talk is heard again for each row that is changed at most; the row's own words and a second to either side.
LISTEN_AROUND_S = 2.0


@contextmanager
def served(library: Library) -> Iterator[tuple[str, Gate]]:
    gate = Gate(LOOPBACK_NAMES)
    server = uvicorn.Server(uvicorn.Config(make_app(library, gate), port=0, log_level="warning"))
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    while not server.started:
        time.sleep(0.02)
    yield f"http://127.0.0.1:{server.servers[0].sockets[0].getsockname()[1]}", gate
    server.should_exit = True
    thread.join(10)


def long_breakdown(b: Breakdown, minutes: float, mentions: int) -> Breakdown:
    """A breakdown repeated until it has a length and a number of mentions."""
    length_s = b.words[-1].end_narration_s + 2.0
    words, breaks, found, possessions, sentences = [], [], [], [], 0
    own = len({m.sentence for m in b.mentions}) and max(p.last_sentence for p in b.possessions) + 3
    for i in range(round(60 * minutes / length_s)):
        at, first = i * length_s, len(words)
        words += [
            dataclasses.replace(w, start_narration_s=w.start_narration_s + at, end_narration_s=w.end_narration_s + at) for w in b.words
        ]
        breaks += [first, *(x + first for x in b.breaks)]
        for p in b.possessions:
            possessions.append(dataclasses.replace(
                p, number=len(possessions) + 1, first_sentence=p.first_sentence + sentences, last_sentence=p.last_sentence + sentences,
                start_narration_s=p.start_narration_s + at, end_narration_s=p.end_narration_s + at,
            ))  # fmt: skip
        many = [m for m in b.mentions if m.possession]
        for k in range(round(mentions / (60 * minutes / length_s))):
            m = many[k % len(many)]
            found.append(dataclasses.replace(
                m, first=m.first + first, last=m.last + first, start_narration_s=m.start_narration_s + at + 0.01 * (k // len(many)),
                end_narration_s=m.end_narration_s + at + 1, possession=(m.possession or 1) + len(possessions) - len(b.possessions),
                sentence=m.sentence + sentences,
                principle_id=m.principle_id if k < len(many) else ("scan", "delay", "cutback", "cycle", "talk")[k // len(many) % 5],
            ))  # fmt: skip
        sentences += own
    times: list[tuple[float | None, float | None]] = [(None, None)] * len(possessions)
    return b.model_copy(
        update={"words": words, "breaks": breaks, "mentions": found, "possessions": possessions, "possession_clip_times": times}
    )


def speed(page: Page, folder: Path, b: Breakdown) -> None:
    library = Library(folder / "large")
    big = library.add_breakdown(long_breakdown(b, 90, 2000))
    rows = len(library.reviewed(big).breakdown.log)
    with library.sessions.begin() as session:
        text = library.breakdown_row(big).machine
        session.add_all(
            BreakdownRow(title=f"Shift {i}", date=f"2026-{i % 12 + 1:02d}-01", state="ready", rows=20, machine=text[:2000])
            for i in range(1999)
        )
    with served(library) as (address, gate):
        page.goto(f"{address}/?token={gate.token}")
        opened = []
        for _ in range(3):
            before = time.perf_counter()
            page.goto(f"{address}/review/{big}")
            page.wait_for_selector("tr.row")
            opened.append(time.perf_counter() - before)
        frames = page.evaluate(
            """async () => { const gaps = []; let last = performance.now(); const end = last + 2500;
              return await new Promise((done) => { const step = (now) => { gaps.push(now - last); last = now; scrollBy(0, 400);
                if (now < end) requestAnimationFrame(step); else done(gaps.sort((a, b) => a - b)); }; requestAnimationFrame(step); }); }"""
        )
        cookie = f"{cookie_name(address.removeprefix('http://'))}={gate.session}"
        client = httpx.Client(base_url=address, headers={"cookie": cookie, "origin": address})
        view = client.get(f"/api/breakdowns/{big}").json()
        saved = []
        for row in view["rows"][:40]:
            anchor = {
                "start_narration_s": row["narration_s"],
                "end_narration_s": row["end_narration_s"],
                "principle_id": row["principle_id"],
            }
            before = time.perf_counter()
            client.post(
                f"/api/breakdowns/{big}/corrections", json={"corrections": [{"kind": "confirm", "anchor": anchor}]}
            ).raise_for_status()
            saved.append(time.perf_counter() - before)
        listed = []
        for _ in range(5):
            before = time.perf_counter()
            client.get("/api/library").raise_for_status()
            listed.append(time.perf_counter() - before)
    print(f"a 90-minute narration with {rows} rows opens in {statistics.median(opened):.2f} s (bar 2)")
    print(
        f"scrolling it: {statistics.median(frames):.0f} ms a picture in the middle, {frames[int(0.95 * len(frames))]:.0f} ms at the 95th percentile"
    )
    print(f"an edit is kept in {1000 * statistics.median(saved):.0f} ms (median of {len(saved)}, bar 100)")
    print(f"2,000 breakdowns are listed in {1000 * statistics.median(listed):.0f} ms (bar 200)")


class Fingers:
    """Presses keys and counts them."""

    def __init__(self, page: Page) -> None:
        self.page = page
        self.keys: dict[str, list[int]] = defaultdict(list)
        self.points = 0
        self.listened_s = 0.0
        self._now = 0

    def press(self, key: str) -> None:
        self.page.keyboard.press(key)
        self._now += 1

    def choose(self, row: dict[str, Any]) -> None:
        self.page.locator(f'tr.row[data-key="{row["key"]}"]').click()
        self.points += 1
        self.listened_s += row["end_narration_s"] - row["narration_s"] + LISTEN_AROUND_S

    def find(self, name: str) -> None:
        """Type until the one is among the first four choices, then go down to it."""
        for letter in name:
            shown = [t.strip() for t in self.page.locator('[role="option"]').all_inner_texts()[:4]]
            at = next((i for i, text in enumerate(shown) if text.startswith(name)), None)
            if at is not None and self._now > 1:
                for _ in range(at):
                    self.press("ArrowDown")
                break
            self.press(letter.lower() if letter != " " else "Space")
        self.press("Enter")

    def done(self, kind: str) -> None:
        for _ in range(200):
            if self.page.locator("#told").inner_text().startswith("Kept"):
                break
            self.page.wait_for_timeout(10)
        self.page.evaluate("document.getElementById('told').textContent = ''")
        self.keys[kind].append(self._now)
        self._now = 0


def corrected(page: Page, folder: Path, number: str) -> None:
    """Correct the log of a marked narration to its marks, as a coach would: by row and key."""
    source = next(p for p in (ROOT / "public").glob(f"{number}-*.json") if not p.name.endswith(".times.json"))
    only, corpus = folder / "only", folder / "corpus"
    only.mkdir()
    corpus.mkdir()
    for file in source.parent.glob(f"{number}-*"):
        shutil.copy(file, only / file.name)
    prepare(source, corpus)
    ((_, breakdown),) = read_folder(only, corpus)
    doc = json.loads(source.read_text(encoding="utf-8"))
    times = json.loads(Path(f"{corpus / source.stem}.times.json").read_text(encoding="utf-8"))
    library = Library(folder / "marked")
    breakdown_id = library.add_breakdown(breakdown)
    names = {p["id"]: p["name"] for p in [{"id": p.id, "name": p.name} for p in library.lexicon().active()]}
    marked: dict[tuple[Any, str, str], dict[str, Any]] = {}
    for m in doc["mentions"]:
        if m["possession"] is None:
            continue
        key = (m["possession"], m["principle"], m.get("player") or "")
        if key not in marked or STATUSES.index(m["status"]) < STATUSES.index(marked[key]["status"]):
            marked[key] = {**m, "at": times[m["sentence"]]}
    with served(library) as (address, gate):
        page.goto(f"{address}/?token={gate.token}")
        page.goto(f"{address}/review/{breakdown_id}")
        page.wait_for_selector("tr.row")
        fingers = Fingers(page)

        def rows() -> list[dict[str, Any]]:
            answer = page.evaluate(f"fetch('/api/breakdowns/{breakdown_id}/log').then((r) => r.json())")
            return [r for r in answer["rows"] if r["possession"]]

        def key_of(r: dict[str, Any]) -> tuple[Any, str, str]:
            return (r["possession"], r["principle_id"], r["player"])

        first = rows()
        for _ in range(400):
            now = rows()
            wrong = [r for r in now if key_of(r) not in marked]
            left = {k: m for k, m in marked.items() if k not in {key_of(r) for r in now}}
            if not wrong:
                break
            row = wrong[0]
            near = {k: m for k, m in left.items() if m["at"][0] - 0.5 <= row["narration_s"] <= m["at"][1] + 0.5}
            fingers.choose(row)
            same = next((k for k in left if k[1:] == (row["principle_id"], row["player"])), None)
            person = next((k for k in left if k[:2] == (row["possession"], row["principle_id"]) and k[2]), None)
            other = next((k for k in near if k[0] == row["possession"]), None)
            if person:
                fingers.press("w")
                fingers.find(person[2])
                fingers.done("player")
            elif same:
                fingers.press("o")
                fingers.press(str(same[0]))
                fingers.done("possession")
            elif other:
                fingers.press("p")
                fingers.find(names[other[1]])
                fingers.done("principle")
            else:
                fingers.press("x")
                fingers.done("reject")
        for row in rows():
            want = marked.get(key_of(row))
            if want and want["status"] != row["status"]:
                fingers.choose(row)
                fingers.press("s")
                fingers.press({"executed": "e", "attempted": "a", "missed": "m", "announced": "n"}[want["status"]])
                fingers.done("status")
        for key, m in marked.items():
            if key in {key_of(r) for r in rows()}:
                continue
            anchor_row = min(rows(), key=lambda r: abs(r["narration_s"] - m["at"][0]))
            page.locator(f'tr.row[data-key="{anchor_row["key"]}"]').click()
            select_words(page, m["quote"])
            fingers.points += 2
            fingers.listened_s += LISTEN_AROUND_S + m["at"][1] - m["at"][0]
            fingers.press("a")
            fingers.find(names[m["principle"]])
            fingers.done("add")
        page.keyboard.press("Escape")
        while (button := page.locator("#queue").inner_text()) and "to look at" in button:
            fingers.press("q")
            fingers.press("c")
            fingers.done("confirm")
        last = {key_of(r) for r in rows()}
    made = [n for counts in fingers.keys.values() for n in counts]
    print(
        f"\n{source.stem}: {len(first)} rows found, {len(marked)} marked; {len(made)} corrections, after which {len(last & set(marked))} rows agree, {len(last - set(marked))} do not"
    )
    for kind, counts in sorted(fingers.keys.items()):
        print(f"  {kind:11s} {len(counts):3d} times, {statistics.median(counts):.0f} keys (median), {max(counts)} at most")
    keys = sum(made)
    model_s = KEY_S * keys + POINT_S * fingers.points + MIND_S * len(made)
    share = sum(n <= 8 for n in made) / max(1, len(made))
    print(
        f"  all: {keys} keys, median {statistics.median(made):.0f} (bar 4), {100 * share:.0f} % of them with 8 or less (bar 90 %), {fingers.points} times pointing"
    )
    print(f"  by the keystroke-level model {model_s:.0f} s, and {fingers.listened_s:.0f} s of talk heard again")


def select_words(page: Page, quote: str) -> None:
    page.evaluate(
        """(quote) => {
          for (const p of document.querySelectorAll('[data-sentence]')) {
            const at = p.textContent.indexOf(quote);
            if (at < 0) continue;
            const range = document.createRange(); let seen = 0, open = false;
            const walk = document.createTreeWalker(p, NodeFilter.SHOW_TEXT);
            for (let n = walk.nextNode(); n; n = walk.nextNode()) {
              if (!open && at < seen + n.data.length) { range.setStart(n, at - seen); open = true; }
              if (open && at + quote.length <= seen + n.data.length) { range.setEnd(n, at + quote.length - seen); break; }
              seen += n.data.length;
            }
            getSelection().removeAllRanges(); getSelection().addRange(range); return true;
          }
          return false;
        }""",
        quote,
    )


def main() -> int:
    """Run what the command line asks for."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--marked", default="01", help="number of a public marked narration")
    number = parser.parse_args().marked
    with tempfile.TemporaryDirectory() as temporary, sync_playwright() as playwright:
        folder = Path(temporary)
        browser = playwright.chromium.launch(executable_path=shutil.which("chromium"), args=ARGUMENTS)
        page = browser.new_context(viewport={"width": 1280, "height": 800}).new_page()
        prepare_folder = folder / "prepared"
        prepare_folder.mkdir()
        only = folder / "one"
        only.mkdir()
        for file in (ROOT / "public").glob("01-*"):
            shutil.copy(file, only / file.name)
        ((_, breakdown),) = read_folder(only, prepare_folder)
        speed(page, folder, breakdown)
        corrected(page, folder, number)
        browser.close()
    return 0


if __name__ == "__main__":
    sys.exit(main())
