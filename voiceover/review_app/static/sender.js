// Sound and events to the server while he speaks: in order, each piece until it is acknowledged.
import { post, put } from "./api.js";

const EVERY_MS = 300;
// The most that goes in one piece: a talk that waited for minutes would be too large for the server at once.
const MOST_S = 10;
const MOST_EVENTS = 100;
// So often is a last piece tried before it is said that it is not kept.
const TRIES = 20;

export class Sender {
  constructor(id, { sampleRate, samples = 0, events = 0, onState }) {
    this.id = id;
    this.most = MOST_S * sampleRate;
    this.acknowledged = samples;
    this.pieces = []; // {at, piece}
    this.events = [];
    this.eventsSent = events;
    this.onState = onState;
    this.start();
  }

  start() {
    this.stopped = false;
    this.timer = setTimeout(() => { this.looping = this.loop(); }, EVERY_MS);
  }

  sound(at, piece) {
    this.pieces.push({ at, piece });
  }

  event(event) {
    this.events.push(event);
  }

  get waiting() {
    const last = this.pieces.at(-1);
    return last ? last.at + last.piece.length - this.acknowledged : 0;
  }

  async loop() {
    try {
      await this.send();
      this.onState(this.waiting, null);
    } catch (error) {
      this.onState(this.waiting, error);
    }
    if (!this.stopped) this.start();
  }

  async send() {
    if (this.pieces.length) {
      const first = this.pieces[0].at;
      let count = 0;
      let total = 0;
      while (count < this.pieces.length && (count === 0 || total + this.pieces[count].piece.length <= this.most)) {
        total += this.pieces[count].piece.length;
        count += 1;
      }
      const joined = new Int16Array(total);
      let at = 0;
      for (const { piece } of this.pieces.slice(0, count)) {
        joined.set(piece, at);
        at += piece.length;
      }
      const { samples } = await put(`/api/recordings/${this.id}/sound?at=${first}`, joined);
      this.acknowledged = samples;
      this.pieces = this.pieces.filter((p) => p.at + p.piece.length > samples);
    }
    if (this.events.length) {
      const batch = this.events.slice(0, MOST_EVENTS);
      const { events } = await post(`/api/recordings/${this.id}/events`, { first: this.eventsSent, events: batch });
      this.events.splice(0, events - this.eventsSent);
      this.eventsSent = events;
    }
  }

  // Everything that is left, before the end. What is refused is tried on while the page is open, so that this may be asked again.
  async finish() {
    this.stopped = true;
    clearTimeout(this.timer);
    await this.looping;
    let failed = 0;
    while (this.pieces.length || this.events.length) {
      try {
        const before = this.acknowledged + this.eventsSent;
        await this.send();
        if (this.acknowledged + this.eventsSent === before) throw new Error("the server does not take it");
        failed = 0;
        this.onState(this.waiting, null);
      } catch (error) {
        failed += 1;
        if (failed > TRIES) {
          this.start();
          throw error;
        }
        await new Promise((resolve) => { setTimeout(resolve, 500); });
      }
    }
  }
}
