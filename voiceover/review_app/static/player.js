// The clip follows the talk: pauses, rewinds and slow motion as they were, with what was drawn.
import { byId, clock, el, tenths } from "./dom.js";

// A running clip is put right when it is further off than this, seconds: two frames, so that it does not stutter.
const DRIFT = 0.07;
const HALF_FRAME = 0.012;

export class Player {
  constructor({ talk, clip, playhead, drawings, onTime }) {
    Object.assign(this, { talk, clip, playhead, drawings, onTime });
    this.alone = false;
    this.shownDrawings = "";
    const draw = () => {
      this.follow();
      requestAnimationFrame(draw);
    };
    requestAnimationFrame(draw);
    talk.addEventListener("play", () => this.setAlone(false));
  }

  setAlone(alone) {
    this.alone = alone;
    if (!alone) this.clip.pause();
    this.clip.muted = !alone;
    this.clip.playbackRate = 1;
  }

  toggleTalk() {
    if (this.talk.paused) this.talk.play();
    else this.talk.pause();
  }

  toggleClip() {
    this.talk.pause();
    if (this.alone && !this.clip.paused) {
      this.clip.pause();
      return;
    }
    this.setAlone(true);
    this.clip.play();
  }

  seek(narration) {
    this.setAlone(false);
    this.talk.currentTime = Math.max(0, narration);
    this.follow();
  }

  playFrom(narration) {
    this.seek(narration);
    this.talk.play();
  }

  follow() {
    const now = this.talk.currentTime;
    this.onTime(now);
    const at = this.playhead.at(now);
    const away = byId("away");
    if (this.alone) {
      away.hidden = true;
      this.show([]);
      return;
    }
    away.hidden = at !== null || !this.clip.src;
    if (at === null) {
      if (!away.hidden) away.textContent = this.playhead.rows.length ? "No clip on screen here" : "No clip times: the playhead is not known";
      if (!this.clip.paused) this.clip.pause();
    } else this.put(at);
    this.show(this.drawings.filter((d) => d.start_narration_s <= now && now < d.end_narration_s));
  }

  put(at) {
    const runs = at.rate > 0 && !this.talk.paused;
    const off = this.clip.currentTime - at.clip;
    if (runs) {
      if (this.clip.playbackRate !== at.rate) this.clip.playbackRate = Math.min(16, Math.max(0.0625, at.rate));
      if (Math.abs(off) > DRIFT) this.clip.currentTime = at.clip;
      if (this.clip.paused) this.clip.play().catch(() => {});
    } else {
      if (!this.clip.paused) this.clip.pause();
      if (Math.abs(off) > HALF_FRAME && !this.clip.seeking) this.clip.currentTime = at.clip;
    }
  }

  show(drawings) {
    const key = drawings.map((d) => `${d.start_narration_s}`).join();
    if (key === this.shownDrawings) return;
    this.shownDrawings = key;
    byId("drawn").replaceChildren(...drawings.map((d) => shapeOf(d.shape, d.points)));
  }
}

// A drawing as SVG over a picture of 1000 by 1000.
export function shapeOf(shape, points) {
  const to = ([x, y]) => `${(x * 1000).toFixed(1)} ${(y * 1000).toFixed(1)}`;
  if (shape === "ring") {
    const [[x0, y0], [x1, y1]] = [points[0], points.at(-1)];
    return el("svg:ellipse", {
      cx: String(500 * (x0 + x1)), cy: String(500 * (y0 + y1)), rx: String(500 * Math.abs(x1 - x0)), ry: String(500 * Math.abs(y1 - y0)),
      "vector-effect": "non-scaling-stroke",
    });
  }
  const way = shape === "straight" ? [points[0], points.at(-1)] : points;
  return el("svg:path", {
    d: `M ${way.map(to).join(" L ")}${shape === "area" ? " Z" : ""}`, "vector-effect": "non-scaling-stroke",
    class: shape === "area" ? "area" : "line",
  });
}

// The possession's stretch of the clip with its principles on it.
export function strip(possession, rows) {
  const { start_clip_s: from, end_clip_s: to } = possession;
  const placed = rows.filter((r) => r.clip_s !== null);
  if (from === null || !placed.length) return el("p", { class: "note" }, "No clip times for this possession.");
  const low = Math.min(from, ...placed.map((r) => r.clip_s));
  const high = Math.max(to, ...placed.map((r) => r.clip_s), low + 0.5);
  const x = (s) => 20 + (560 * (s - low)) / (high - low);
  const marks = placed.toSorted((a, b) => a.clip_s - b.clip_s).map((r, i) => el("svg:g", {},
    el("svg:title", {}, `${r.principle}, ${r.status}, second ${tenths(r.clip_s)}`),
    el("svg:line", { x1: String(x(r.clip_s)), x2: String(x(r.clip_s)), y1: "14", y2: "34", "stroke-width": "2" }),
    el("svg:text", { x: String(Math.min(560, x(r.clip_s) + 3)), y: i % 2 ? "12" : "46" }, r.principle.slice(0, 16))));
  return el("svg:svg", { class: "strip", viewBox: "0 0 600 60", role: "img", "aria-label": `Principles from second ${tenths(low)} to ${tenths(high)} of the clip` },
    el("svg:line", { x1: "20", x2: "580", y1: "24", y2: "24", "stroke-width": "1" }), ...marks,
    el("svg:text", { x: "0", y: "58" }, `${tenths(low)} s`), el("svg:text", { x: "600", y: "58", "text-anchor": "end" }, `${tenths(high)} s`));
}

export const whereText = (narration, at) => `${clock(narration)} of the talk${at ? `, clip ${tenths(at.clip)} s${at.rate === 0 ? " (paused)" : at.rate !== 1 ? ` (× ${at.rate})` : ""}` : ""}`;
