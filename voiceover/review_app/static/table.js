// The possession log as one table: sorted by any column, filtered, copied to a spreadsheet.
import { byId, el, tenths } from "./dom.js";

const COLUMNS = [
  ["Possession", (r) => r.possession ?? ""], ["Principle", (r) => r.principle], ["Player", (r) => r.player || r.role], ["Status", (r) => r.status],
  ["Clip s", (r) => (r.clip_s === null ? "" : Number(tenths(r.clip_s)))], ["Talk s", (r) => Number(r.narration_s.toFixed(1))], ["Your words", (r) => r.quote],
  ["Sure", (r) => Number(r.confidence.toFixed(2))], ["Looked at", (r) => (r.reviewed ? "yes" : "no")],
];
// More lines than this are shown when the filter is narrower: a page of 2,000 rows twice over would be slow.
const MOST = 300;

export class LogTable {
  constructor() {
    this.by = 5;
    this.down = false;
    byId("all-head").replaceChildren(...COLUMNS.map(([name], i) => el("th", { scope: "col", "aria-sort": "none" }, el("button", { type: "button", onclick: () => this.sort(i) }, name))));
    byId("filter").addEventListener("input", () => this.draw());
    byId("copy").addEventListener("click", () => this.copy());
  }

  show(rows) {
    this.rows = rows;
    clearTimeout(this.soon);
    this.soon = setTimeout(() => this.draw(), 150);
  }

  sort(column) {
    this.down = this.by === column && !this.down;
    this.by = column;
    this.draw();
  }

  kept() {
    const wanted = byId("filter").value.trim().toLowerCase();
    const value = COLUMNS[this.by][1];
    const order = (a, b) => (typeof a === "number" && typeof b === "number" ? a - b : String(a).localeCompare(String(b)));
    const kept = this.rows.filter((r) => COLUMNS.some(([, of]) => String(of(r)).toLowerCase().includes(wanted)));
    return kept.toSorted((a, b) => order(value(a), value(b)) * (this.down ? -1 : 1));
  }

  draw() {
    const kept = this.kept();
    [...byId("all-head").children].forEach((th, i) => th.setAttribute("aria-sort", i === this.by ? (this.down ? "descending" : "ascending") : "none"));
    byId("all-rows").replaceChildren(...kept.slice(0, MOST).map((r) => el("tr", {}, ...COLUMNS.map(([, of]) => el("td", { class: typeof of(r) === "number" ? "number" : "" }, of(r))))),
      ...(kept.length > MOST ? [el("tr", {}, el("td", { colspan: String(COLUMNS.length) }, `and ${kept.length - MOST} more; filter to see them. Copying takes all.`))] : []));
  }

  async copy() {
    // A cell that a spreadsheet would take for a formula gets an apostrophe in front.
    const safe = (value) => (typeof value === "number" ? String(value) : String(value).replace(/[\t\r\n]+/g, " ").replace(/^([=+\-@])/, "'$1"));
    const lines = [COLUMNS.map(([name]) => name), ...this.kept().map((r) => COLUMNS.map(([, of]) => safe(of(r))))];
    await navigator.clipboard.writeText(lines.map((l) => l.join("\t")).join("\n"));
    byId("copy").textContent = "Copied";
    setTimeout(() => { byId("copy").textContent = "Copy for a spreadsheet"; }, 1500);
  }
}
