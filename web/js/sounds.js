/**
 * What the page sounds like: fire, attention, out of touch.
 *
 * Fire is the temporal-three pattern of ISO 8201 (0.5 s on, 0.5 s off, three
 * times, then 1.5 s off) at 520 Hz, a square wave, which wakes people more surely
 * than a high tone. Tones are scheduled on the audio clock a cycle ahead, so a busy
 * page doesn't garble them.
 */

import { keep, recall } from "./kept.js";

/** @typedef {"silent" | "attention" | "test" | "lost" | "fire"} Pattern */

/**
 * Tones as [start_s, length_s, pitch_hz], and the length of a cycle. Loss of touch
 * waits 2 s: a telephone that has just been woken is usually back by then.
 */
const PATTERNS = {
  fire: { tones: [[0, 0.5, 520], [1, 0.5, 520], [2, 0.5, 520]], cycle_s: 4 },
  test: { tones: [[0, 0.5, 520], [1, 0.5, 520], [2, 0.5, 520]], cycle_s: 4 },
  lost: { tones: [[2, 0.18, 440], [2.22, 0.3, 330]], cycle_s: 4 },
  attention: { tones: [[0, 0.35, 660]], cycle_s: 10 },
};
const AHEAD_S = 1.5; // background pages are woken about once a second
const LOUDNESS = 0.25;

export class Sounds {
  /** @param {() => void} changed  called when what `state` says may have changed */
  constructor(changed) {
    this.changed = changed;
    /** @type {Pattern} */
    this.pattern = "silent";
    this.wanted = recall("sound") === "on";
    /** @type {AudioContext | null} */
    this.audio = null;
    /** @type {GainNode | null} */
    this.gain = null;
    this.next_s = 0;
    this.broken = false;
    const wake = () => {
      if (this.wanted && this.state() === "waiting") this.open();
    };
    for (const gesture of ["pointerdown", "click", "keydown"]) addEventListener(gesture, wake);
    setInterval(() => this.schedule(), 500);
  }

  /** @returns {"off" | "waiting" | "on" | "failed"} */
  state() {
    if (!this.wanted) return "off";
    if (this.broken) return "failed";
    return this.audio?.state === "running" ? "on" : "waiting";
  }

  /** @param {boolean} wanted  from a tap or a key: only then does a browser allow sound */
  want(wanted) {
    this.wanted = wanted;
    keep("sound", wanted ? "on" : "off");
    if (wanted) {
      this.open();
    } else {
      this.hush();
      this.audio?.suspend();
    }
    this.changed();
  }

  /** @param {Pattern} pattern */
  play(pattern) {
    if (pattern === this.pattern) return;
    this.pattern = pattern;
    this.hush();
    this.schedule();
  }

  open() {
    try {
      this.audio ??= new AudioContext();
    } catch {
      this.broken = true;
      return;
    }
    this.audio.onstatechange = () => this.changed();
    this.audio.resume().then(
      () => {
        this.confirm();
        this.changed();
      },
      () => this.changed(),
    );
  }

  /** A soft, short tone, so that a person hears that sound works. */
  confirm() {
    if (this.pattern === "silent" && this.audio) {
      this.out(this.audio);
      this.tone(this.audio.currentTime + 0.05, 0.12, 660);
    }
    this.schedule();
  }

  /** Everything still to come is taken back. */
  hush() {
    this.gain?.disconnect();
    this.gain = null;
    this.next_s = 0;
  }

  schedule() {
    const audio = this.audio;
    if (this.pattern === "silent" || this.state() !== "on" || !audio) return;
    const { tones, cycle_s } = PATTERNS[this.pattern];
    this.next_s = Math.max(this.next_s, audio.currentTime + 0.05);
    while (this.next_s < audio.currentTime + AHEAD_S) {
      this.out(audio);
      for (const [start_s, length_s, pitch_hz] of tones) {
        this.tone(this.next_s + start_s, length_s, pitch_hz);
      }
      this.next_s += cycle_s;
    }
  }

  /** @param {AudioContext} audio */
  out(audio) {
    if (this.gain) return;
    this.gain = audio.createGain();
    this.gain.gain.value = LOUDNESS;
    this.gain.connect(audio.destination);
  }

  /** @param {number} at_s  @param {number} length_s  @param {number} pitch_hz */
  tone(at_s, length_s, pitch_hz) {
    if (!this.audio || !this.gain) return;
    const tone = this.audio.createOscillator();
    tone.type = "square";
    tone.frequency.value = pitch_hz;
    tone.connect(this.gain);
    tone.start(at_s);
    tone.stop(at_s + length_s);
  }
}
