// Plays the samples of one set: all started at the same instant and looped together, one audible.
//
// Every sample runs through a gain of its own. Switching moves two gains along a raised cosine
// whose sum is one throughout: the sounds are nearly alike, and equal power would bump the level.

export const FADE_S = 0.02;
const LEAD_S = 0.05; // between the press and the common start, so that all sources are ready
const EDGE_S = 0.01; // fade at the ends of a part cut out of the middle
const STEPS = 64;

const RISING = new Float32Array(STEPS);
const FALLING = new Float32Array(STEPS);
for (let i = 0; i < STEPS; i += 1) {
  RISING[i] = 0.5 - 0.5 * Math.cos((Math.PI * i) / (STEPS - 1));
  FALLING[i] = 1 - RISING[i];
}

export class Player extends EventTarget {
  #context = null;
  #rate = 0;
  #whole = []; // AudioBuffers as delivered
  #buffers = []; // what is looped: the whole, or the chosen part
  #section = null;
  #run = null; // { gains, sources, master, startedAt }
  #wanted = null;
  #settledAt = 0;
  #timer = null;
  #lastTick = null;

  constructor() {
    super();
    this.slot = null; // the audible sample while playing
    this.lastSlot = 0;
    this.plays = [];
    this.audible = []; // seconds each sample has been audible, up to the last look
    this.interruptions = 0;
    this.glitches = 0;
  }

  get playing() { return this.#run !== null; }
  get length() { return this.#whole.length ? this.#whole[0].duration : 0; }
  get section() { return this.#section ?? { from: 0, to: this.length }; }
  get heard() {
    this.#tick();
    return this.audible;
  }
  get rate() { return this.#rate; }
  get context() { return this.#context; }

  // Takes decoded samples; forgets the set before.
  load(buffers) {
    this.#end();
    this.#whole = buffers;
    this.#buffers = buffers;
    this.#rate = buffers[0].sampleRate;
    this.#section = null;
    this.lastSlot = 0;
    this.plays = buffers.map(() => 0);
    this.audible = buffers.map(() => 0);
    this.interruptions = 0;
    this.glitches = 0;
    this.#tell();
  }

  // Plays a sample, or switches to it without losing the place. Call it from a press: a browser
  // lets sound out only then.
  async play(slot) {
    if (!this.#whole[slot]) return;
    this.plays[slot] += 1;
    this.lastSlot = slot;
    if (this.#run) {
      this.#switch(slot);
      return;
    }
    await this.#start(slot);
  }

  // From the beginning of the whole or of the chosen part.
  async restart() {
    if (!this.#whole.length) return;
    const slot = this.slot ?? this.lastSlot;
    this.plays[slot] += 1;
    this.#end();
    await this.#start(slot);
  }

  stop() {
    this.#end();
    this.#tell();
  }

  // Loops the part between two places, in seconds; null for the whole.
  async choose(section) {
    const whole = !section || (section.from <= 0 && section.to >= this.length);
    this.#section = whole ? null : section;
    this.#buffers = whole ? this.#whole : this.#whole.map((buffer) => part(buffer, section));
    if (this.#run) {
      const slot = this.slot;
      this.#end();
      await this.#start(slot);
    }
    this.#tell();
  }

  // Where the sound is, in seconds of the whole sample.
  position() {
    const { from, to } = this.section;
    if (!this.#run) return from;
    const passed = this.#context.currentTime - this.#run.startedAt;
    return from + (Math.max(0, passed) % (to - from));
  }

  async #ready() {
    if (this.#context && this.#context.sampleRate !== this.#rate) {
      await this.#context.close();
      this.#context = null;
    }
    if (!this.#context) {
      this.#context = new AudioContext({ sampleRate: this.#rate });
      this.#context.addEventListener("statechange", () => this.#changed());
    }
    if (this.#context.state !== "running") await this.#context.resume();
  }

  async #start(slot) {
    await this.#ready();
    if (this.#run) return; // a second press while the sound device was waking up
    const context = this.#context;
    const master = context.createGain();
    master.connect(context.destination);
    const startedAt = context.currentTime + LEAD_S;
    const gains = [];
    const sources = this.#buffers.map((buffer, index) => {
      const gain = context.createGain();
      gain.gain.value = index === slot ? 1 : 0;
      gain.connect(master);
      gains.push(gain.gain);
      const source = new AudioBufferSourceNode(context, { buffer, loop: true });
      source.connect(gain);
      source.start(startedAt);
      return source;
    });
    this.#run = { gains, sources, master, startedAt };
    this.#settledAt = 0;
    this.#wanted = null;
    this.slot = slot;
    this.#lastTick = null;
    this.#timer = setInterval(() => this.#tick(), 100);
    this.#tell();
  }

  #switch(slot) {
    if (slot === this.slot) return;
    const now = this.#context.currentTime;
    if (now < this.#settledAt) {
      // A fade is under way: remember the latest wish, and see to it when the fade is over.
      const first = this.#wanted === null;
      this.#wanted = slot;
      if (first) setTimeout(() => this.#late(), (this.#settledAt - now) * 1000 + 5);
      return;
    }
    const at = Math.max(now, this.#run.startedAt) + 0.003;
    this.#run.gains[this.slot].setValueCurveAtTime(FALLING, at, FADE_S);
    this.#run.gains[slot].setValueCurveAtTime(RISING, at, FADE_S);
    this.#settledAt = at + FADE_S + 0.003;
    this.#tick();
    this.slot = slot;
    this.#tell();
  }

  #late() {
    const wanted = this.#wanted;
    this.#wanted = null;
    if (this.#run && wanted !== null) this.#switch(wanted);
  }

  #end() {
    if (!this.#run) return;
    this.#tick();
    clearInterval(this.#timer);
    const { sources, master } = this.#run;
    const now = this.#context.currentTime;
    master.gain.setValueCurveAtTime(FALLING, now, FADE_S);
    for (const source of sources) source.stop(now + FADE_S + 0.005);
    sources[0].addEventListener("ended", () => master.disconnect());
    this.#run = null;
    this.#wanted = null;
    this.slot = null;
  }

  #tick() {
    if (!this.#run) return;
    const sound = this.#context.currentTime;
    const wall = performance.now() / 1000;
    if (this.#lastTick) {
      const played = sound - this.#lastTick.sound;
      this.audible[this.slot] += Math.max(0, played);
      // The sound's clock fell behind: frames were lost. Both clocks are read here together, so
      // a timer that comes late counts nothing.
      if (this.#context.state === "running" && wall - this.#lastTick.wall - played > 0.15) {
        this.glitches += 1;
      }
    }
    this.#lastTick = { sound, wall };
  }

  #changed() {
    if (!this.#run || this.#context.state === "running") return;
    // A call came in, the screen was locked, the device went away: stop here, in good order.
    this.interruptions += 1;
    this.#end();
    this.#tell();
    this.dispatchEvent(new Event("interrupted"));
  }

  #tell() {
    this.dispatchEvent(new Event("change"));
  }
}

// Fetches and decodes samples at their own rate, so that nothing is resampled on the way.
export async function fetched(addresses, rate) {
  const decoder = new OfflineAudioContext(2, 1, rate);
  const buffers = await Promise.all(
    addresses.map(async (address) => {
      const answer = await fetch(address, { cache: "no-store" });
      if (!answer.ok) throw new Error(`sound: ${answer.status}`);
      return decoder.decodeAudioData(await answer.arrayBuffer());
    }),
  );
  for (const buffer of buffers) {
    if (buffer.sampleRate !== rate || buffer.length !== buffers[0].length) {
      throw new Error("sound: decoded to another rate or length");
    }
  }
  return buffers;
}

// The part of a buffer between two places, its ends faded so that the loop does not click.
function part(buffer, { from, to }) {
  const { sampleRate, numberOfChannels } = buffer;
  const start = Math.round(from * sampleRate);
  const length = Math.min(buffer.length, Math.round(to * sampleRate)) - start;
  const cut = new AudioBuffer({ length, numberOfChannels, sampleRate });
  const edge = Math.min(Math.round(EDGE_S * sampleRate), Math.floor(length / 2));
  for (let channel = 0; channel < numberOfChannels; channel += 1) {
    const sound = buffer.getChannelData(channel).slice(start, start + length);
    for (let i = 0; i < edge; i += 1) {
      const share = 0.5 - 0.5 * Math.cos((Math.PI * i) / edge);
      sound[i] *= share;
      sound[length - 1 - i] *= share;
    }
    cut.copyToChannel(sound, channel);
  }
  return cut;
}
