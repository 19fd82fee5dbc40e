// Plays the samples of one set: all started at the same instant and looped together, one audible.
//
// Every sample runs through a gain of its own. Switching moves two gains along a raised cosine
// whose sum is one throughout: the sounds are nearly alike, and equal power would bump the level.

import { Unplayable, wait } from "./asking.js";

export const FADE_S = 0.008;
const LEAD_S = 0.05; // between the press and the common start, so that all sources are ready
const EDGE_S = 0.01; // fade at the ends of a part cut out of the middle
const LEAST_PART_S = 0.25; // what has arrived is laid out in pieces no shorter
const STEPS = 64;
// For a sound device that wakes up; a browser that blocks sound never does.
const PATIENCE_MS = 4000;
const CREEP_S = 0.0001; // a tick, that is 1 in 1000
const LOST_S = 0.15; // the sound fell behind the clock by so much: frames were lost

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
  #arrival = null; // where samples are still on their way
  #more = () => this.#extend();
  #run = null; // { gains, sources, master, level, startedAt }
  #asked = 0; // the rate the context was asked for
  #leastLag = 0; // seconds the sound is behind the clock when all is well
  #levelDb = 0;
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
    this.disturbances = {}; // kind: how often
    this.heardBefore = 0; // seconds heard of a set before it was disturbed
  }

  get playing() {
    return this.#run !== null;
  }
  get length() {
    return this.#whole.length ? this.#whole[0].duration : 0;
  }
  get section() {
    return this.#section ?? { from: 0, to: this.length };
  }
  get heard() {
    this.#tick();
    return this.audible;
  }
  get rate() {
    return this.#rate;
  }
  get disturbed() {
    return Object.keys(this.disturbances).length > 0;
  }
  get levelDb() {
    return this.#levelDb;
  }
  get context() {
    return this.#context;
  }

  // Takes decoded samples, or an Arrival of them; forgets the set before.
  load(samples) {
    this.#end();
    this.#arrival?.removeEventListener("more", this.#more);
    this.#arrival = Array.isArray(samples) ? null : samples;
    this.#arrival?.addEventListener("more", this.#more);
    const buffers = this.#arrival ? this.#arrival.buffers : samples;
    this.#whole = buffers;
    this.#buffers = buffers;
    this.#rate = buffers[0].sampleRate;
    this.#section = null;
    this.lastSlot = 0;
    this.plays = buffers.map(() => 0);
    this.audible = buffers.map(() => 0);
    this.disturbances = {};
    this.heardBefore = 0;
    this.#tell();
  }

  // One level for all samples, in dB, 0 or below.
  setLevel(db) {
    this.#levelDb = Math.min(0, db);
    if (!this.#run) return;
    const { gain } = this.#run.level;
    gain.setTargetAtTime(10 ** (this.#levelDb / 20), this.#context.currentTime, FADE_S);
  }

  // Something came between the sound and the listener: what was heard of this set counts no more.
  disturb(kind) {
    if (!this.#whole.length) return;
    this.disturbances[kind] = (this.disturbances[kind] ?? 0) + 1;
    this.#end();
    const heard = this.audible.reduce((sum, time) => sum + time, 0);
    this.heardBefore += heard;
    this.audible = this.audible.map(() => 0);
    this.#tell();
    if (heard > 0) this.dispatchEvent(new CustomEvent("disturbed", { detail: kind }));
  }

  // For the notes of a vote: small counts, and what the sound went through.
  notes() {
    return {
      per_sample: this.plays,
      heard: this.heard.map(tenth),
      ...this.disturbances,
      ...(this.heardBefore ? { heard_before: tenth(this.heardBefore) } : {}),
      ...(resampled(this.#context, this.#rate) ? { resampled_to: this.#context.sampleRate } : {}),
      ...(this.#levelDb ? { level_db: this.#levelDb } : {}),
    };
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
    if (!whole && this.#arriving) {
      const set = this.#whole;
      await this.#arrival.whole;
      if (set !== this.#whole || this.#arriving) return;
    }
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
    if (this.#context && (this.#asked !== this.#rate || this.#context.state === "closed")) {
      const old = this.#context;
      this.#context = null;
      if (old.state !== "closed") await old.close();
    }
    if (!this.#context) {
      this.#asked = this.#rate;
      const context = contextAt(this.#rate);
      this.#context = context;
      context.addEventListener("statechange", () => {
        if (context === this.#context) this.#changed();
      });
    }
    if (this.#context.state !== "running") {
      await Promise.race([this.#context.resume(), wait(PATIENCE_MS)]);
      if (this.#context.state !== "running") throw new Error("no sound is let out");
    }
  }

  async #start(slot) {
    await this.#ready();
    if (this.#run) return; // a second press while the sound device was waking up
    const context = this.#context;
    const master = context.createGain();
    const level = context.createGain();
    level.gain.value = 10 ** (this.#levelDb / 20);
    master.connect(level);
    level.connect(context.destination);
    // On a whole frame, or the engine would draw the samples in between.
    const startedAt =
      Math.ceil((context.currentTime + LEAD_S) * context.sampleRate) / context.sampleRate;
    const nodes = this.#buffers.map((_, index) => {
      const gain = context.createGain();
      gain.gain.value = index === slot ? 1 : 0;
      gain.connect(master);
      return gain;
    });
    const gains = nodes.map((node) => node.gain);
    const sources = [];
    this.#run = { gains, nodes, sources, master, level, startedAt, laid: 0, looping: false };
    this.#extend();
    this.#settledAt = 0;
    this.#wanted = null;
    this.slot = slot;
    this.#lastTick = null;
    this.#timer = setInterval(() => this.#tick(), 100);
    this.#tell();
  }

  get #arriving() {
    return this.#arrival !== null && !this.#arrival.complete;
  }

  // Lays out what has arrived behind what is laid out already; once all is there, the loop.
  #extend() {
    const run = this.#run;
    if (!run || run.looping) return;
    const upTo = this.#arriving ? this.#arrival.frames : this.#whole[0].length;
    if (this.#arriving && upTo - run.laid < LEAST_PART_S * this.#rate) return;
    const from = run.laid / this.#rate;
    const first = Math.round(run.startedAt * this.#context.sampleRate);
    const at = resampled(this.#context, this.#rate)
      ? run.startedAt + from
      : (first + run.laid) / this.#rate;
    if (run.laid && at < this.#context.currentTime) return; // too late: the next look says so
    const buffers = this.#arriving ? this.#arrival.between(run.laid, upTo) : this.#buffers;
    const loop = !this.#arriving;
    buffers.forEach((buffer, index) => {
      const source = new AudioBufferSourceNode(this.#context, { buffer, loop });
      source.connect(run.nodes[index]);
      source.start(at, loop ? from : 0);
      run.sources.push(source);
    });
    run.laid = upTo;
    run.looping = loop;
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
    if (!this.#run) return; // the look itself found the sound disturbed and ended it
    clearInterval(this.#timer);
    const { sources, master, level } = this.#run;
    const now = this.#context.currentTime;
    master.gain.setValueCurveAtTime(FALLING, now, FADE_S);
    for (const source of sources) source.stop(now + FADE_S + 0.005);
    sources.at(-1).addEventListener("ended", () => {
      master.disconnect();
      level.disconnect();
    });
    this.#run = null;
    this.#wanted = null;
    this.slot = null;
  }

  #tick() {
    if (!this.#run) return;
    let stumbled = false;
    const sound = this.#context.currentTime;
    const wall = performance.now() / 1000;
    if (this.#lastTick) {
      const played = sound - this.#lastTick.sound;
      this.audible[this.slot] += Math.max(0, played);
      // Both clocks are read here together, so a timer that comes late counts nothing. The least
      // lag so far is the measure; it creeps, as the two clocks never quite agree.
      const lag = wall - sound;
      this.#leastLag = Math.min(this.#leastLag + CREEP_S, lag);
      stumbled = this.#context.state === "running" && lag - this.#leastLag > LOST_S;
    }
    if (stumbled || !this.#lastTick) this.#leastLag = wall - sound;
    this.#lastTick = { sound, wall };
    if (stumbled) this.disturb("glitches");
    else if (!this.#run.looping && sound > this.#run.startedAt + this.#run.laid / this.#rate) {
      this.disturb("ran_dry"); // the line is slower than the sound
    }
  }

  #changed() {
    if (!this.#run || this.#context.state === "running") return;
    // A call came in, the screen was locked, the device went away: stop here, in good order.
    this.disturb("interruptions");
  }

  #tell() {
    this.dispatchEvent(new Event("change"));
  }
}

const tenth = (time) => Math.round(time * 10) / 10;
const resampled = (context, rate) => context !== null && context.sampleRate !== rate;

// A context at the clip's own rate; a browser that has no such rate resamples, and it is noted.
export function contextAt(sampleRate) {
  try {
    return new AudioContext({ sampleRate });
  } catch {
    return new AudioContext();
  }
}

// Fetches and decodes samples at their own rate, so that nothing is resampled on the way.
export async function fetched(addresses, rate) {
  const decoder = new OfflineAudioContext(2, 1, rate);
  const buffers = await Promise.all(
    addresses.map(async (address) => {
      const answer = await fetch(address, { cache: "no-store" });
      if (!answer.ok) throw new Error(`sound: ${answer.status}`);
      const bytes = await answer.arrayBuffer();
      return decoder.decodeAudioData(bytes).catch(() => {
        throw new Unplayable();
      });
    }),
  );
  for (const buffer of buffers) {
    if (buffer.sampleRate !== rate || buffer.length !== buffers[0].length) {
      throw new Unplayable();
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
