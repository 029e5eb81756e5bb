// The score sheet: a section for each possession, a line for each principle, the sentences beneath.
import { el, clock, tenths } from "./dom.js";

const SIGNS = { executed: "✓", attempted: "~", missed: "○", announced: "…" };

export function statusMark(status) {
  return el("span", { class: `status status-${status}` }, el("span", { "aria-hidden": "true" }, `${SIGNS[status]} `), status);
}

export class Sheet {
  constructor(place, { onChoose, onPlay }) {
    this.place = place;
    this.onChoose = onChoose;
    this.onPlay = onPlay;
    this.sections = new Map();
    this.chosen = null;
    place.addEventListener("click", (event) => this.clicked(event));
  }

  setTalk(view) {
    this.words = view.words;
    this.sentences = view.sentences;
  }

  // Only sections whose content changed are made anew: a correction touches one or two of hundreds.
  show(view) {
    const marks = new Map();
    for (const row of view.rows) {
      for (const [first, last, status] of row.spans) marks.set(first, { last, status, principle: row.principle });
    }
    const before = this.chosen && this.byKey?.get(this.chosen);
    const place = before ? this.rows.indexOf(before) : -1;
    this.rows = view.rows;
    this.byKey = new Map(view.rows.map((r) => [r.key, r]));
    const groups = new Map();
    for (const row of view.rows) groups.set(row.possession ?? 0, [...(groups.get(row.possession ?? 0) ?? []), row]);
    const covered = new Set();
    for (const p of view.possessions) for (let i = p.first_sentence; i <= p.last_sentence; i += 1) covered.add(i);
    const outside = this.sentences.map((_, i) => i).filter((i) => !covered.has(i));
    const parts = [
      { number: 0, title: "Before and after", rows: groups.get(0) ?? [], sentences: outside, about: "" },
      ...view.possessions.map((p) => ({
        number: p.number, title: `Possession ${p.number}`, rows: groups.get(p.number) ?? [],
        sentences: this.sentences.map((_, i) => i).slice(p.first_sentence, p.last_sentence + 1),
        about: [p.player, p.start_clip_s === null ? "" : `clip ${tenths(p.start_clip_s)} to ${tenths(p.end_clip_s)} s`, p.ended && `ended: ${p.ended}`].filter(Boolean).join(" · "),
      })),
    ];
    const hadFocus = this.place.contains(document.activeElement);
    const fresh = new Map();
    const nodes = [];
    for (const part of parts) {
      const own = part.sentences.map((i) => this.sentenceParts(i, marks, view.withheld));
      const content = JSON.stringify([part.title, part.about, part.rows, own]);
      const old = this.sections.get(part.number);
      const node = old && old.content === content ? old.node : this.section(part, own);
      fresh.set(part.number, { content, node });
      if (part.rows.length || part.sentences.length) nodes.push(node);
    }
    this.sections = fresh;
    if (nodes.length !== this.place.children.length || nodes.some((n, i) => n !== this.place.children[i])) this.place.replaceChildren(...nodes);
    if (before && !this.byKey.has(this.chosen)) {
      // It is another principle now, or was struck out: the one at its words, or the one that took its place.
      const instead = this.rows.find((r) => r.narration_s === before.narration_s) ?? this.rows[Math.min(place, this.rows.length - 1)];
      this.chosen = instead?.key ?? null;
    }
    if (this.chosen) this.choose(this.chosen, { focus: hadFocus });
  }

  section(part, sentences) {
    const head = el("tr", {}, ...["Principle", "Status", "Who", "Clip s", "Your words", "Sure"].map((t) => el("th", { scope: "col", class: t === "Clip s" ? "number" : "" }, t)));
    return el("section", { class: "possession", "data-number": String(part.number) },
      el("h2", {}, part.title, el("span", { class: "note" }, part.about)),
      part.rows.length ? el("table", { "aria-label": `Principles, ${part.title}` }, el("thead", {}, head), el("tbody", {}, ...part.rows.map((r) => this.row(r)))) : el("p", { class: "note" }, "Nothing to mark."),
      el("div", { class: "sentences" }, ...sentences.map((s) => el("p", { "data-sentence": String(s.index), class: s.withheld ? "withheld" : "" },
        ...s.parts.map(([text, status, principle]) => (status ? el("mark", { class: `status-${status}`, title: `${principle}, ${status}` }, text) : text)),
        s.withheld ? el("span", { class: "quiet" }, " (not for the player)") : null))));
  }

  row(r) {
    const sure = r.reviewed ? el("span", { class: "looked" }, "✓ looked at") : r.look ? `look: ${Math.round(100 * r.confidence)} %` : `${Math.round(100 * r.confidence)} %`;
    const clip = r.clip_s === null ? "–" : `${r.unsure_clip ? "about " : ""}${tenths(r.clip_s)}`;
    const who = r.player || { focus: "the player", teammate: "a teammate", opponent: "an opponent" }[r.role];
    return el("tr", { class: `row${r.withheld ? " withheld" : ""}`, "data-key": r.key, tabindex: "-1", "aria-selected": "false" },
      el("th", { scope: "row" }, r.principle, r.withheld ? el("span", { class: "note" }, " (not for the player)") : null),
      el("td", {}, statusMark(r.status)), el("td", {}, who), el("td", { class: "number" }, clip), el("td", { class: "said" }, `“${r.quote}” `, el("span", { class: "note" }, clock(r.narration_s))), el("td", {}, sure));
  }

  sentenceParts(index, marks, withheld) {
    const [first, last] = this.sentences[index];
    const parts = [];
    let plain = "";
    for (let i = first; i <= last; i += 1) {
      const mark = marks.get(i);
      if (mark) {
        if (plain) parts.push([plain]);
        plain = "";
        const end = Math.min(last, mark.last);
        parts.push([this.words.slice(i, end + 1).map((w) => w[0]).join(" "), mark.status, mark.principle]);
        i = end;
        if (i < last) plain = " ";
      } else plain += this.words[i][0] + (i < last ? " " : "");
    }
    if (plain) parts.push([plain]);
    return { index, parts, withheld: withheld.includes(index) };
  }

  clicked(event) {
    const row = event.target.closest("tr.row");
    if (row) {
      this.choose(row.dataset.key);
      return;
    }
    const sentence = event.target.closest("[data-sentence]");
    if (sentence && getSelection().isCollapsed) this.onPlay(this.words[this.sentences[Number(sentence.dataset.sentence)][0]][1]);
  }

  choose(key, { focus = true } = {}) {
    this.place.querySelector("tr.row[aria-selected=true]")?.setAttribute("aria-selected", "false");
    this.place.querySelector(".possession.chosen")?.classList.remove("chosen");
    const node = this.place.querySelector(`tr.row[data-key="${key}"]`);
    if (!node) return;
    this.chosen = key;
    for (const other of this.place.querySelectorAll('tr.row[tabindex="0"]')) other.tabIndex = -1;
    node.tabIndex = 0;
    node.setAttribute("aria-selected", "true");
    node.closest(".possession").classList.add("chosen");
    if (focus) {
      node.focus({ preventScroll: true });
      node.scrollIntoView({ block: "nearest" });
    }
    this.onChoose(this.byKey.get(key));
  }

  step(by) {
    const at = this.rows.findIndex((r) => r.key === this.chosen);
    const next = this.rows[Math.max(0, Math.min(this.rows.length - 1, at < 0 ? 0 : at + by))];
    if (next) this.choose(next.key);
  }

  chosenRow() {
    return this.byKey?.get(this.chosen) ?? null;
  }

  sentenceOf(row) {
    return this.sentences.findIndex(([first, last]) => row.spans[0][0] >= first && row.spans[0][0] <= last);
  }

  now(narration) {
    const at = this.sentences.findIndex(([first, last]) => this.words[first][1] <= narration && narration < this.words[last][2] + 0.4);
    if (at === this.nowAt) return;
    this.nowAt = at;
    this.place.querySelector("p.now")?.classList.remove("now");
    if (at >= 0) this.place.querySelector(`p[data-sentence="${at}"]`)?.classList.add("now");
  }

  // First and last word of the selected text, where a piece of one sentence is selected.
  selectedWords() {
    const selection = getSelection();
    if (selection.isCollapsed || !selection.rangeCount) return null;
    const range = selection.getRangeAt(0);
    const sentence = range.commonAncestorContainer.nodeType === 1 ? range.commonAncestorContainer.closest("[data-sentence]") : range.commonAncestorContainer.parentElement.closest("[data-sentence]");
    if (!sentence) return null;
    const before = range.cloneRange();
    before.selectNodeContents(sentence);
    before.setEnd(range.startContainer, range.startOffset);
    const [first, last] = this.sentences[Number(sentence.dataset.sentence)];
    const count = (text) => text.split(/\s+/).filter(Boolean).length;
    const lead = before.toString();
    const from = first + count(lead) - (lead && !/\s$/.test(lead) && !/^\s/.test(range.toString()) ? 1 : 0);
    return [Math.max(first, from), Math.min(last, from + Math.max(1, count(range.toString())) - 1)];
  }
}
