// Where the clip stands, as it is really shown: each picture that the browser puts on the screen says its own time.
export class ClipClock {
  constructor(video, { sampleAt, onRow }) {
    Object.assign(this, { video, sampleAt, onRow });
    this.last = null; // {sample, clip, rate}
    this.frame = 1 / 30;
    this.shown = 0;
    this.before = null;
    if ("requestVideoFrameCallback" in video) {
      const look = (now, picture) => {
        this.picture(picture.mediaTime, picture.expectedDisplayTime);
        video.requestVideoFrameCallback(look);
      };
      video.requestVideoFrameCallback(look);
    } else {
      const look = () => {
        this.picture(video.currentTime, performance.now());
        requestAnimationFrame(look);
      };
      requestAnimationFrame(look);
    }
    video.addEventListener("pause", () => this.row(this.shown, 0, performance.now()));
  }

  begin() {
    this.last = null;
    this.row(this.shown || this.video.currentTime, this.video.paused ? 0 : this.video.playbackRate, performance.now());
  }

  picture(clip, at) {
    if (this.before !== null && clip > this.before && clip - this.before < 0.1) this.frame = Math.min(this.frame * 1.5, clip - this.before);
    this.before = clip;
    this.shown = clip;
    const rate = this.video.paused || this.video.seeking ? 0 : this.video.playbackRate;
    if (!this.last) {
      this.row(clip, rate, at);
      return;
    }
    const expected = this.last.clip + (this.last.rate * (this.sampleAt(at) - this.last.sample)) / this.sampleRate;
    if (rate !== this.last.rate || Math.abs(expected - clip) > this.frame / 2) this.row(clip, rate, at);
  }

  row(clip, rate, at) {
    const sample = this.sampleAt(at);
    if (this.last && sample < this.last.sample) return; // a picture that was due before the last event
    this.last = { sample, clip, rate };
    this.onRow({ kind: "row", at_sample: sample, clip_s: Math.max(0, clip), rate });
  }

  step(direction) {
    this.video.pause();
    // Into the middle of the picture: its very edge may show the one before.
    this.video.currentTime = Math.max(0, this.shown + direction * this.frame + this.frame / 2);
  }
}
