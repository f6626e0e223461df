// Beside the page, as the sound comes: the power in the band, frame by frame, and nothing else of the sound.
// Sections and frames are those of rig/signals/sound.py, handed over by the server, so that both hear alike.
"use strict";

const FRAMES_A_MESSAGE = 25;

class BandPower extends AudioWorkletProcessor {
  constructor(options) {
    super();
    const { sections, frame_s } = options.processorOptions;
    this.sections = sections.map(([b0, b1, b2, , a1, a2]) => ({ b0, b1, b2, a1, a2, first: 0, second: 0 }));
    this.frameSamples = frame_s * sampleRate;
    this.frame = 0;
    this.sample = 0;
    this.sum = 0;
    this.from = 0;
    this.ready = [];
    this.edge = this.end();
  }

  end() {
    return Math.floor((this.frame + 1) * this.frameSamples + 1e-9);
  }

  // One sample through all biquads, transposed direct form II.
  filtered(value) {
    for (const s of this.sections) {
      const out = s.b0 * value + s.first;
      s.first = s.b1 * value - s.a1 * out + s.second;
      s.second = s.b2 * value - s.a2 * out;
      value = out;
    }
    return value;
  }

  process(inputs) {
    const channels = inputs[0];
    if (!channels.length) return true;
    for (let k = 0; k < channels[0].length; k++) {
      let value = 0;
      for (const channel of channels) value += channel[k];
      value = this.filtered(value / channels.length);
      this.sum += value * value;
      this.sample++;
      if (this.sample < this.edge) continue;
      this.ready.push(this.sum / (this.sample - this.from));
      this.sum = 0;
      this.from = this.sample;
      this.frame++;
      this.edge = this.end();
      if (this.ready.length < FRAMES_A_MESSAGE) continue;
      this.port.postMessage(this.ready);
      this.ready = [];
    }
    return true;
  }
}

registerProcessor("band-power", BandPower);
