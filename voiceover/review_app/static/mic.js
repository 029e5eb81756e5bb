// The microphone and its clock. Everything that happens is stamped in samples of the recording, never by the wall clock.
const CLOCK_LOOKS = 90;

export class Microphone {
  constructor(onPiece) {
    this.onPiece = onPiece;
    this.base = 0; // samples that were recorded before, when a recording goes on
    this.startFrame = null;
    this.hasEnded = false;
    this.offsets = [];
  }

  async open(sampleRate = undefined) {
    // What "improves" calls makes a voice in a rink unsteady, and shifts it in time.
    const sound = { echoCancellation: false, noiseSuppression: false, autoGainControl: false, channelCount: 1 };
    this.stream = await navigator.mediaDevices.getUserMedia({ audio: sound });
    this.context = new AudioContext(sampleRate ? { sampleRate, latencyHint: "interactive" } : { latencyHint: "interactive" });
    await this.context.audioWorklet.addModule("/static/capture-worklet.js");
    this.source = this.context.createMediaStreamSource(this.stream);
    this.node = new AudioWorkletNode(this.context, "capture", { numberOfInputs: 1, numberOfOutputs: 0 });
    this.node.port.onmessage = ({ data }) => this.take(data);
    this.source.connect(this.node);
    await this.context.resume();
    const look = () => {
      this.lookAtClock();
      this.looking = requestAnimationFrame(look);
    };
    look();
  }

  get sampleRate() {
    return this.context.sampleRate;
  }

  // The browser says how late its microphone is, where it knows.
  get toldDelay() {
    return this.stream.getAudioTracks()[0].getSettings().latency ?? 0;
  }

  lookAtClock() {
    this.offsets.push(this.context.currentTime - performance.now() / 1000);
    if (this.offsets.length > CLOCK_LOOKS) this.offsets.shift();
  }

  // The sample of the recording that is being taken at a moment of performance.now(). currentTime steps by blocks: the middle
  // of the last second and a half is steady to a millisecond or two.
  sampleAt(milliseconds) {
    const sorted = [...this.offsets].sort((a, b) => a - b);
    const offset = sorted[sorted.length >> 1] ?? this.context.currentTime - performance.now() / 1000;
    return this.sampleOfContext(milliseconds / 1000 + offset);
  }

  sampleOfContext(seconds) {
    return Math.max(0, Math.round(this.base + seconds * this.sampleRate - (this.startFrame ?? seconds * this.sampleRate)));
  }

  begin(base = 0) {
    this.base = base;
    this.startFrame = null;
    this.isOn = true;
  }

  take({ first, piece, level, done }) {
    if (done) {
      this.ended?.();
      return;
    }
    if (this.isOn && this.startFrame === null) this.startFrame = first;
    this.onPiece({ at: this.isOn ? this.base + first - this.startFrame : -1, piece, level, first });
  }

  // Wait for the last piece; asked again, it has ended already.
  async end() {
    if (this.hasEnded) return;
    await new Promise((resolve) => {
      this.ended = resolve;
      this.node.port.postMessage("stop");
      setTimeout(resolve, 1000);
    });
    this.hasEnded = true;
    cancelAnimationFrame(this.looking);
    this.stream.getTracks().forEach((t) => t.stop());
    await this.context.close();
  }

  // How long a click takes from the loudspeaker into the samples, less the loudspeaker's own delay; null where it is not heard.
  async measureDelay(listen) {
    const heard = listen();
    const at = this.context.currentTime + 0.5;
    const click = this.context.createOscillator();
    const gain = this.context.createGain();
    click.frequency.value = 2000;
    gain.gain.setValueAtTime(0.9, at);
    gain.gain.setValueAtTime(0, at + 0.03);
    click.connect(gain).connect(this.context.destination);
    click.start(at);
    click.stop(at + 0.03);
    const pieces = await heard;
    const before = pieces.filter((p) => p.first / this.sampleRate < at).flatMap((p) => [...p.piece]);
    const loudest = Math.max(300, ...before.map(Math.abs));
    for (const { first, piece } of pieces) {
      for (let i = 0; i < piece.length; i += 1) {
        const seconds = (first + i) / this.sampleRate;
        if (seconds > at && Math.abs(piece[i]) > 3 * loudest) return Math.max(0, seconds - at - (this.context.outputLatency || this.context.baseLatency || 0));
      }
    }
    return null;
  }
}
