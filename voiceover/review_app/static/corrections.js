// What each key does to the chosen row: one correction, kept on the server before the next one is shown as done.
import { choose, write } from "./ask.js";

const STATUS_KEYS = [["executed", "e"], ["attempted", "a"], ["missed", "m"], ["announced", "n"]];

export const KEYS = [
  ["c", "confirm: it is right"], ["x", "strike it out"], ["p", "another principle: type to find"], ["s", "status, then e, a, m or n"], ["w", "who: type to find"],
  ["o", "possession: its number"], [",", "clip time a tenth earlier"], [".", "clip time a tenth later"], ["h", "here: where the clip stands now"],
  ["/", "a possession begins with this sentence"], ["j", "join with the possession before"], ["a", "add a principle to the selected words, or to the sentence"],
  ["n", "a name was misheard: put it right everywhere"], ["e", "edit the words of the sentence"], ["k", "keep the row back: not for the player"],
  ["K", "keep the sentence back"], ["m", "message to the player"], ["t", "next step"], ["q", "the next one to look at"], ["z", "undo"], ["y", "redo"],
  ["↑ ↓", "row before, row after"], ["Enter", "play the talk from this row"], ["Space", "play or pause the talk"], ["v", "play the clip alone"],
];

export const ROW_KEYS = new Set("cxpswo,.h/janekK");

export function anchorOf(row) {
  return { start_narration_s: row.narration_s, end_narration_s: row.end_narration_s, quote: row.quote, principle_id: row.principle_id };
}

export class Corrector {
  constructor({ view, sheet, player }) {
    Object.assign(this, { view, sheet, player });
  }

  sentenceAnchor(index) {
    const [first, last] = this.sheet.sentences[index];
    const words = this.sheet.words.slice(first, last + 1);
    const end = Math.max(...words.map((w) => w[2])); // words may overlap
    return { start_narration_s: words[0][1], end_narration_s: end, quote: words.map((w) => w[0]).join(" ").slice(0, 4000), principle_id: "" };
  }

  // The correction that a key makes of a row, or null where it was thought better of.
  async make(key, row) {
    const on = (kind, change = {}) => ({ kind, anchor: anchorOf(row), change });
    const view = this.view();
    const sentence = this.sheet.sentenceOf(row);
    switch (key) {
      case "c": return on("confirm");
      case "x": return on("reject");
      case "k": return on(row.withheld ? "release" : "withhold");
      case "K": {
        const hidden = view.withheld.includes(sentence);
        return { kind: hidden ? "release" : "withhold", anchor: this.sentenceAnchor(sentence) };
      }
      case "p": {
        const id = await choose("Which principle is it?", principles(view));
        return id && on("principle", { principle_id: id });
      }
      case "s": return { wait: Object.fromEntries(STATUS_KEYS.map(([status, k]) => [k, on("status", { status })])), say: "Status: e executed, a attempted, m missed, n announced" };
      case "w": {
        const id = await choose("Who was it?", people(view));
        if (!id) return null;
        const [kind, value] = id.split(":");
        const focus = view.players.find((p) => p.id === value)?.focus;
        return on("player", kind === "role" ? { role: value } : { player_id: value, role: focus ? "focus" : row.role === "focus" ? "teammate" : row.role });
      }
      case "o": {
        const options = view.possessions.map((p) => ({ id: String(p.start_narration_s), text: String(p.number), more: p.quote.slice(0, 60) }));
        if (options.length < 10) {
          return { wait: Object.fromEntries(view.possessions.map((p) => [String(p.number), on("possession", { possession_start_s: p.start_narration_s })])), say: "Possession: its number" };
        }
        const start = await choose("Which possession?", options);
        return start && on("possession", { possession_start_s: Number(start) });
      }
      case ",": return row.clip_s === null ? null : on("retime", { clip_s: round(Math.max(0, row.clip_s - 0.1)) });
      case ".": return row.clip_s === null ? null : on("retime", { clip_s: round(row.clip_s + 0.1) });
      case "h": return on("retime", { clip_s: round(this.player().clip.currentTime) });
      case "/": {
        const possession = view.possessions.find((p) => p.number === row.possession);
        if (!possession) return null;
        return { kind: "split", anchor: around(possession), change: { possession_start_s: this.sentenceAnchor(sentence).start_narration_s } };
      }
      case "j": {
        const possession = view.possessions.find((p) => p.number === row.possession);
        return possession && possession.number > 1 ? { kind: "merge", anchor: around(possession) } : null;
      }
      case "a": {
        const span = this.sheet.selectedWords();
        const anchor = span ? this.wordsAnchor(...span) : this.sentenceAnchor(sentence);
        const id = await choose(`Which principle is told by “${anchor.quote.slice(0, 60)}”?`, principles(view));
        return id && { kind: "add", anchor, change: { principle_id: id, status: "executed", role: "focus" } };
      }
      case "n": {
        const span = this.sheet.selectedWords();
        const heard = await write("Which name was misheard? As it stands in the words.", span ? this.wordsAnchor(...span).quote.replace(/['’]s$|[.,;:!?]+$/g, "") : row.player);
        const text = heard && await write(`What should “${heard}” be?`, "", { more: view.players.map((p) => p.name).join(", ") });
        return text && { kind: "rename", change: { heard, text } };
      }
      case "e": {
        const anchor = this.sentenceAnchor(sentence);
        const text = await write("The words of the sentence", anchor.quote, { long: true, more: "Enter keeps them; the talk is then read again." });
        return text && text !== anchor.quote ? { kind: "edit-words", anchor, change: { text } } : null;
      }
      default: return null;
    }
  }

  wordsAnchor(first, last) {
    const words = this.sheet.words.slice(first, last + 1);
    return { start_narration_s: words[0][1], end_narration_s: words.at(-1)[2], quote: words.map((w) => w[0]).join(" "), principle_id: "" };
  }
}

const principles = (view) => view.principles.map((p) => ({ id: p.id, text: p.name, more: p.family }));
const people = (view) => [
  ...view.players.map((p) => ({ id: `player:${p.id}`, text: p.name, more: p.focus ? "in focus" : "" })),
  { id: "role:focus", text: "the player in focus" }, { id: "role:teammate", text: "a teammate" }, { id: "role:opponent", text: "an opponent" },
];
const around = (p) => ({ start_narration_s: p.start_narration_s, end_narration_s: p.end_narration_s });
const round = (seconds) => Math.round(seconds * 1000) / 1000;
