// Samples that can be played while the rest of them is still on the way.
//
// A print is plain 24-bit PCM behind a header of 44 bytes, so what has come can be read at once,
// exactly as the browser's own decoder would. All samples of a set are taken to have arrived as
// far as the slowest of them.

import { Unplayable } from "./asking.js";

const HEADER = 44;
const LEAST_S = 0.5; // there before anything is played
// Sound has to come so much faster than it is played, or more of it has to be there.
const SPARE = 1.2;
const PCM = 1;
const FULL_SCALE = 2 ** 23;

// The sound of one set on its way.
export class Arrival extends EventTarget {
  #prints;

  constructor(prints) {
    super();
    this.#prints = prints;
    this.lost = false;
    this.complete = false;
    this.whole = this.#rest(); // resolves once everything is there, or lost
  }

  // Frames that are there of every sample.
  get frames() {
    return Math.min(...this.#prints.map((print) => print.frames));
  }
  get buffers() {
    return this.#prints.map((print) => print.buffer);
  }

  // Buffers of the frames from one place to another, one for each sample.
  between(from, to) {
    return this.#prints.map(({ buffer, channels }) => {
      const { numberOfChannels, sampleRate } = buffer;
      const cut = new AudioBuffer({ length: to - from, numberOfChannels, sampleRate });
      for (const [i, sound] of channels.entries()) cut.copyToChannel(sound.subarray(from, to), i);
      return cut;
    });
  }

  async #rest() {
    try {
      await Promise.all(
        this.#prints.map((print) => print.read(() => this.dispatchEvent(new Event("more")))),
      );
      this.complete = true;
      this.dispatchEvent(new Event("more"));
    } catch {
      this.lost = true;
      this.dispatchEvent(new Event("lost"));
    }
  }
}

// Resolves with an Arrival as soon as the beginning of every sample is there.
export async function arriving(addresses, rate) {
  const prints = await Promise.all(
    addresses.map(async (address) => {
      const answer = await fetch(address, { cache: "no-store" });
      if (!answer.ok) throw new Error(`sound: ${answer.status}`);
      const print = new Print(answer.body.getReader());
      await print.head(rate);
      return print;
    }),
  );
  if (prints.some(({ buffer }) => buffer.length !== prints[0].buffer.length))
    throw new Unplayable();
  const begun = performance.now();
  const arrival = new Arrival(prints);
  const { length } = prints[0].buffer;
  // Playing may begin as soon as it need not stop again: a quick line stays ahead by itself, a slow
  // one needs a start that lasts until the end has come.
  const enough = () => {
    const pace = arrival.frames / rate / ((performance.now() - begun) / 1000); // of the sound's own
    return arrival.frames >= Math.min(length, Math.max(LEAST_S * rate, (SPARE - pace) * length));
  };
  await new Promise((resolve, reject) => {
    const look = () => {
      if (arrival.lost) reject(new TypeError("the connection is away"));
      else if (arrival.complete || enough()) resolve();
    };
    arrival.addEventListener("more", look);
    arrival.addEventListener("lost", look);
    look();
  });
  return arrival;
}

// One WAV file, read as it comes.
class Print {
  #reader;
  #left = new Uint8Array(0); // bytes that do not make a whole frame yet
  frames = 0;
  channels = [];
  buffer = null;

  constructor(reader) {
    this.#reader = reader;
  }

  // Reads the header and makes room for the sound.
  async head(rate) {
    while (this.#left.length < HEADER) {
      const { done, value } = await this.#reader.read();
      if (done) throw new Unplayable();
      this.#left = joined(this.#left, value);
    }
    const view = new DataView(this.#left.buffer, this.#left.byteOffset);
    const word = (at) => String.fromCharCode(...this.#left.subarray(at, at + 4));
    const [count, frameBytes, bits] = [
      view.getUint16(22, true),
      view.getUint16(32, true),
      view.getUint16(34, true),
    ];
    const length = view.getUint32(40, true) / frameBytes;
    const plain =
      word(0) === "RIFF" &&
      word(8) === "WAVE" &&
      word(12) === "fmt " &&
      view.getUint16(20, true) === PCM &&
      bits === 24 &&
      frameBytes === 3 * count &&
      view.getUint32(24, true) === rate &&
      word(36) === "data" &&
      Number.isInteger(length);
    if (!plain || length < 1 || count < 1 || count > 2) throw new Unplayable();
    this.buffer = new AudioBuffer({ length, numberOfChannels: count, sampleRate: rate });
    this.channels = Array.from({ length: count }, () => new Float32Array(length));
    this.#left = this.#left.subarray(HEADER);
  }

  // Reads the rest, and says so whenever more is there.
  async read(more) {
    this.#take();
    more();
    for (;;) {
      const { done, value } = await this.#reader.read();
      if (done) break;
      this.#left = joined(this.#left, value);
      this.#take();
      more();
    }
    if (this.frames < this.buffer.length) throw new Error("sound: cut short");
    for (const [i, sound] of this.channels.entries()) this.buffer.copyToChannel(sound, i);
  }

  #take() {
    const bytes = this.#left;
    const count = this.channels.length;
    const whole = Math.min(
      Math.floor(bytes.length / (3 * count)),
      this.buffer.length - this.frames,
    );
    let at = 0;
    for (let frame = this.frames; frame < this.frames + whole; frame += 1) {
      for (const sound of this.channels) {
        sound[frame] =
          (((bytes[at] << 8) | (bytes[at + 1] << 16) | (bytes[at + 2] << 24)) >> 8) / FULL_SCALE;
        at += 3;
      }
    }
    this.frames += whole;
    this.#left = bytes.subarray(at);
  }
}

function joined(first, second) {
  if (!first.length) return second;
  const both = new Uint8Array(first.length + second.length);
  both.set(first);
  both.set(second, first.length);
  return both;
}
