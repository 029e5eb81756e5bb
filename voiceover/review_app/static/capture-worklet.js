// Takes what the microphone gives, block by block, with the audio clock's own count of frames.
class Capture extends AudioWorkletProcessor {
  constructor() {
    super();
    this.size = Math.round(sampleRate / 10);
    this.buffer = new Int16Array(this.size);
    this.filled = 0;
    this.first = -1;
    this.sum = 0;
    this.stopped = false;
    this.port.onmessage = ({ data }) => {
      if (data === "stop") {
        this.send();
        this.stopped = true;
        this.port.postMessage({ done: true });
      } else if (data === "flush") this.send();
    };
  }

  send() {
    if (!this.filled) return;
    const piece = this.buffer.slice(0, this.filled);
    this.port.postMessage({ first: this.first, piece, level: Math.sqrt(this.sum / this.filled) }, [piece.buffer]);
    this.filled = 0;
    this.sum = 0;
  }

  process(inputs) {
    if (this.stopped) return false;
    const channels = inputs[0];
    // A microphone that gives nothing for a moment must not shift the clock: silence stands for it.
    const length = channels.length ? channels[0].length : 128;
    for (let i = 0; i < length; i += 1) {
      let value = 0;
      for (const channel of channels) value += channel[i] / channels.length;
      if (this.filled === 0) this.first = currentFrame + i;
      this.buffer[this.filled] = Math.max(-32768, Math.min(32767, Math.round(value * 32767)));
      this.sum += value * value;
      this.filled += 1;
      if (this.filled === this.size) this.send();
    }
    return true;
  }
}

registerProcessor("capture", Capture);
