"use strict";

const FADE_S = 0.01; // from one sound into another, and at each start and stop
const AHEAD_S = 0.02; // how far ahead a fade is asked for: the audio thread must not be past it
const TOGETHER_S = 0.1; // how far ahead the start of all sounds is asked for, likewise

const awaited = new Map(); // name of a sound -> what takes its base64
const decoded = new Map(); // name of a sound -> promise of its AudioBuffer

/** Called by each script in sounds/. */
function AUDIO(name, base64) {
  awaited.get(name)?.(base64);
  awaited.delete(name);
}

/** A sound's FLAC file in base64; a page opened from disk may load scripts and nothing else. */
function fetched(name) {
  return new Promise((resolve, reject) => {
    const script = document.createElement("script");
    const fail = () => {
      awaited.delete(name);
      reject(new Error(`sounds/${name}.js cannot be read: it belongs beside this page`));
    };
    awaited.set(name, resolve);
    script.onerror = fail;
    script.onload = () => {
      script.remove();
      if (awaited.has(name)) fail();
    };
    script.src = `sounds/${name}.js`;
    document.head.append(script);
  });
}

function bytesOf(base64) {
  const text = atob(base64);
  const bytes = new Uint8Array(text.length);
  for (let k = 0; k < text.length; k++) bytes[k] = text.charCodeAt(k);
  return bytes;
}

/** Decode sounds and forget all others; the next is read while others are decoded. Ends if `wanted` says no. */
async function soundsOf(names, context, wanted) {
  for (const name of [...decoded.keys()]) if (!names.includes(name)) decoded.delete(name);
  const missing = [...new Set(names)].filter((name) => !decoded.has(name));
  for (const [k, name] of missing.entries()) {
    if (!wanted(k + 1, missing.length)) return [];
    const base64 = await fetched(name);
    decoded.set(name, context.decodeAudioData(bytesOf(base64).buffer));
  }
  try {
    return await Promise.all(names.map((name) => decoded.get(name)));
  } catch (error) {
    decoded.clear();
    throw new Error("a sound cannot be decoded: write the page again");
  }
}

/**
 * Start all sounds at one instant and from one place, each behind a gain of its own; one is heard.
 * They stay at the same sample for as long as they run, for nothing but gains ever changes.
 */
function startTogether(context, out, buffers, heard, loop, when, offset_s) {
  const all = new GainNode(context, { gain: 0 });
  all.gain.setValueAtTime(0, when).linearRampToValueAtTime(1, when + FADE_S);
  all.connect(out);
  const voices = buffers.map((buffer, k) => {
    const gain = new GainNode(context, { gain: k === heard ? 1 : 0 });
    const source = new AudioBufferSourceNode(context, {
      buffer,
      loop: true,
      loopStart: loop.from_s,
      loopEnd: loop.to_s,
    });
    source.connect(gain).connect(all);
    source.start(when, offset_s);
    return { source, gain: gain.gain };
  });
  return { all, voices, heard, loop, when, offset_s, free_at: when };
}

/** Fade from what is heard to another voice; a fade begins no earlier than the one before has ended. */
function crossFade(run, heard, at) {
  if (heard === run.heard) return;
  const from = Math.max(at, run.free_at);
  run.free_at = from + FADE_S;
  run.voices[run.heard].gain.setValueAtTime(1, from).linearRampToValueAtTime(0, run.free_at);
  run.voices[heard].gain.setValueAtTime(0, from).linearRampToValueAtTime(1, run.free_at);
  run.heard = heard;
}

function fadeOut(run, at) {
  const from = Math.max(at, run.when + FADE_S);
  run.all.gain.setValueAtTime(1, from).linearRampToValueAtTime(0, from + FADE_S);
  for (const voice of run.voices) voice.source.stop(from + 2 * FADE_S);
  run.voices[0].source.onended = () => run.all.disconnect();
}

/** Where in the passage a run is at a time of its context. */
function placeAt(run, time) {
  const place = run.offset_s + Math.max(0, time - run.when);
  const { from_s, to_s } = run.loop;
  return place < to_s ? place : from_s + ((place - from_s) % (to_s - from_s));
}

/** Plays one of several sounds of a passage, and says through `told` when anything changes. */
class Player {
  constructor(told) {
    this.told = told;
    this.volume_db = 0;
    this.turn = 0; // counts what was asked for, so that what arrives late is known as late
    this.take([], 48000, 0);
  }

  /** Stop, and be ready to play these sounds of one length. */
  take(names, rate_hz, frames, heard = 0) {
    this.turn++;
    this.end();
    Object.assign(this, { names, rate_hz, length_s: frames / rate_hz, heard });
    this.loop = { from_s: 0, to_s: this.length_s };
    this.become("stopped");
  }

  async play(from_s = this.loop.from_s) {
    const turn = ++this.turn;
    this.end();
    this.become("loading");
    try {
      const context = this.opened();
      const [buffers] = await Promise.all([
        soundsOf(this.names, context, (k, of) => this.loads(turn, `${k} of ${of}`)),
        context.resume(),
      ]);
      if (turn !== this.turn) return;
      const when = this.onFrame(context.currentTime + TOGETHER_S);
      this.run = startTogether(context, this.master, buffers, this.heard, this.loop, when, from_s);
      this.become("playing");
    } catch (error) {
      if (turn === this.turn) this.become("stopped", error.message);
    }
  }

  loads(turn, what) {
    if (turn === this.turn) this.become("loading", what);
    return turn === this.turn;
  }

  stop() {
    this.turn++;
    this.end();
    this.become("stopped");
  }

  hear(k) {
    this.heard = k;
    if (this.run) crossFade(this.run, k, this.onFrame(this.context.currentTime + AHEAD_S));
    this.told();
  }

  /** Play from a place, or from the start of the loop if it lies outside. */
  go(place_s) {
    const { from_s, to_s } = this.loop;
    this.play(place_s >= from_s && place_s < to_s ? this.onFrame(place_s) : from_s);
  }

  /** Mark the loop, at least a tenth of a second long; what plays goes on within it. */
  mark(from_s, to_s) {
    const least = Math.min(0.1, this.length_s);
    const from = this.onFrame(Math.min(Math.max(from_s || 0, 0), this.length_s - least));
    const to = this.onFrame(Math.min(Math.max(to_s || 0, from + least), this.length_s));
    const place_s = this.place();
    this.loop = { from_s: from, to_s: to };
    if (this.state !== "stopped") this.go(place_s);
    this.told();
  }

  turnTo(volume_db) {
    this.volume_db = volume_db;
    if (this.context) this.master.gain.setTargetAtTime(gainOf(volume_db), this.context.currentTime, FADE_S);
  }

  place() {
    return this.run ? placeAt(this.run, this.context.currentTime) : this.loop.from_s;
  }

  opened() {
    if (this.context?.sampleRate !== this.rate_hz) {
      this.context?.close();
      this.context = new AudioContext({ sampleRate: this.rate_hz });
      this.master = new GainNode(this.context, { gain: gainOf(this.volume_db) });
      this.master.connect(this.context.destination);
    }
    return this.context;
  }

  end() {
    if (this.run) fadeOut(this.run, this.context.currentTime + AHEAD_S);
    this.run = null;
  }

  onFrame(seconds) {
    return Math.round(seconds * this.rate_hz) / this.rate_hz;
  }

  become(state, message = "") {
    Object.assign(this, { state, message });
    this.told();
  }
}

function gainOf(volume_db) {
  return 10 ** (volume_db / 20);
}
