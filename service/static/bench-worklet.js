// Hands on what the microphone hears, a tenth of a second at a time, of its first channel.
registerProcessor("bench-taker", class extends AudioWorkletProcessor {
  constructor() {
    super();
    this.kept = new Float32Array(Math.round(sampleRate / 10));
    this.filled = 0;
  }

  process([[heard]]) {
    for (const sample of heard || []) {
      this.kept[this.filled++] = sample;
      if (this.filled === this.kept.length) {
        this.port.postMessage(this.kept.slice());
        this.filled = 0;
      }
    }
    return true;
  }
});
