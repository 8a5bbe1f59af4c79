// Decoded pictures by number: the one asked for last is shown, its neighbours are fetched ahead.

import { blob } from "./api.js";

const HELD = 24;
const AHEAD = [1, -1, 2, -2, 10, -10];
const FAR = 12, SETTLED_MS = 150; // who jumps may jump again at once, and then nobody wants what lies round here

export class Frames {
  constructor(count, show, fail) {
    this.count = count;
    this.show = show; this.fail = fail;
    this.held = new Map();
    this.wanted = 0;
    this.from = 0;
    this.busy = null;
  }

  async go(index) {
    this.wanted = Math.min(Math.max(Math.round(index), 0), this.count - 1);
    const here = this.held.get(this.wanted);
    if (here) { this.show(this.wanted, here); this.ahead(); return; }
    this.busy?.abort();
    const mine = (this.busy = new AbortController());
    const index_ = this.wanted;
    try {
      const bitmap = await this.fetch(index_, mine.signal);
      if (this.wanted === index_) { this.show(index_, bitmap); this.ahead(); }
    } catch (error) {
      if (error.name !== "AbortError" && error.code !== "clip_not_wanted") this.fail(error);
    }
  }

  async fetch(index, signal) {
    const file = await blob(`/api/frames/${index}`, signal);
    const bitmap = await createImageBitmap(file);
    this.held.set(index, bitmap);
    if (this.held.size > HELD) {
      const far = [...this.held.keys()].sort((a, b) => Math.abs(b - this.wanted) - Math.abs(a - this.wanted))[0];
      if (far !== this.wanted) this.held.delete(far);
    }
    return bitmap;
  }

  async ahead() {
    const from = this.wanted, far = Math.abs(from - this.from) > FAR;
    this.from = from;
    const mine = (this.busy = new AbortController());
    if (far) await new Promise((then) => setTimeout(then, SETTLED_MS));
    for (const step of AHEAD) {
      const index = from + step;
      if (this.wanted !== from || mine !== this.busy || mine.signal.aborted) return;
      if (index < 0 || index >= this.count || this.held.has(index)) continue;
      try { await this.fetch(index, mine.signal); } catch { return; }
    }
  }
}
