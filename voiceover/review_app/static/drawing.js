// Drawing on the standing picture: freehand, straight, ring, area. Points are shares of the picture, so they fit at any size.
import { el } from "./dom.js";
import { shapeOf } from "./player.js";

export class Drawing {
  constructor(svg, { onDraw, onStart }) {
    Object.assign(this, { svg, onDraw, onStart });
    this.shape = "freehand";
    this.way = null;
    svg.addEventListener("pointerdown", (e) => this.down(e));
    svg.addEventListener("pointermove", (e) => this.move(e));
    svg.addEventListener("pointerup", (e) => this.up(e));
    svg.addEventListener("pointercancel", () => this.cancel());
  }

  point(event) {
    const box = this.svg.getBoundingClientRect();
    const share = (v) => Math.round(Math.min(1, Math.max(0, v)) * 1e4) / 1e4;
    return [share((event.clientX - box.left) / box.width), share((event.clientY - box.top) / box.height)];
  }

  down(event) {
    if (event.button !== 0) return;
    this.onStart();
    this.svg.setPointerCapture(event.pointerId);
    this.way = [this.point(event)];
    this.node = el("svg:g");
    this.svg.append(this.node);
  }

  move(event) {
    if (!this.way) return;
    if (this.way.length < 1900) this.way.push(this.point(event));
    this.node.replaceChildren(shapeOf(this.shape, this.way));
  }

  up(event) {
    if (!this.way) return;
    this.way.push(this.point(event));
    const ends = this.shape === "straight" || this.shape === "ring" ? [this.way[0], this.way.at(-1)] : this.way;
    this.node.replaceChildren(shapeOf(this.shape, ends));
    this.onDraw(this.shape, ends);
    this.way = null;
  }

  cancel() {
    this.node?.remove();
    this.way = null;
  }

  wipe() {
    const had = this.svg.childElementCount > 0;
    this.svg.replaceChildren();
    return had;
  }
}
