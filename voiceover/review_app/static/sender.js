// Sound and events to the server while he speaks: in order, each piece until it is acknowledged.
import { post, put } from "./api.js";

const EVERY_MS = 300;

export class Sender {
  constructor(id, { samples = 0, events = 0, onState }) {
    this.id = id;
    this.acknowledged = samples;
    this.pieces = []; // {at, piece}
    this.events = [];
    this.eventsSent = events;
    this.onState = onState;
    this.timer = setTimeout(() => this.loop(), EVERY_MS);
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
    if (!this.stopped) this.timer = setTimeout(() => this.loop(), EVERY_MS);
  }

  async send() {
    if (this.pieces.length) {
      const first = this.pieces[0].at;
      const total = this.pieces.reduce((n, p) => n + p.piece.length, 0);
      const joined = new Int16Array(total);
      let at = 0;
      for (const { piece } of this.pieces) {
        joined.set(piece, at);
        at += piece.length;
      }
      const { samples } = await put(`/api/recordings/${this.id}/sound?at=${first}`, joined);
      this.acknowledged = samples;
      this.pieces = this.pieces.filter((p) => p.at + p.piece.length > samples);
    }
    if (this.events.length) {
      const batch = this.events.slice(0, 1000);
      const { events } = await post(`/api/recordings/${this.id}/events`, { first: this.eventsSent, events: batch });
      this.events.splice(0, events - this.eventsSent);
      this.eventsSent = events;
    }
  }

  // Everything that is left, before the end.
  async finish() {
    this.stopped = true;
    clearTimeout(this.timer);
    for (let attempt = 0; this.pieces.length || this.events.length; attempt += 1) {
      try {
        await this.send();
      } catch (error) {
        if (attempt > 20) throw error;
        await new Promise((resolve) => { setTimeout(resolve, 500); });
      }
    }
  }
}
