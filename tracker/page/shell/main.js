// The page: puts film, hand, list and server together.

import { enter, get, leave, news, post } from "./api.js";
import { Board } from "./board.js";
import { COLOURS, drawBall, drawCross, drawFilm, drawLens, drawMark, drawShape, drawShot, resize } from "./draw.js";
import { Draft, HOMES } from "./draft.js";
import { Frames } from "./frames.js";
import { Hand } from "./hand.js";
import { Results } from "./results.js";
import { Sheet, degrees, percent } from "./sheet.js";
import { View } from "./view.js";

const $ = (id) => document.getElementById(id);
const WEIGH_MS = 180, LENS_POWER = 8;
const HINTS = {
  reference: { length: "Mark the two ends of a length you know.", size: "Mark the four corners of the rectangle.", board: "The printed board needs no marks.", places: "The places are stated in the setup file." },
  ball: "Is the ringed thing your ball? If not, click on the ball.",
  plumb: "Mark the top and the foot of a line that hangs straight down.",
  exit: "Mark where the ball leaves the launcher.",
  room: "What you know of camera and launcher.",
  measure: "Measure when you are ready.",
};

class Desk {
  constructor() {
    this.view = new View();
    this.draft = new Draft();
    this.canvas = $("film");
    this.chosen = null; this.cross = null; this.bitmap = null; this.ball = null; this.shots = null;
    this.frame = 0; this.labels = new Map();
    this.fail = (error) => this.say(`${error.message} ${error.advice ?? ""}`);
    this.draft.changed = () => this.changed();
    this.sheet = new Sheet(this.draft, this);
    this.board = new Board(this.draft, this);
    this.results = new Results(this.draft, this);
    this.hand = new Hand(this.canvas, this);
    this.bind();
  }

  async begin() {
    const clip = (this.clip = await get("/api/clip"));
    this.view.width = clip.width; this.view.height = clip.height;
    this.draft.begin(clip.table, clip.width, clip.height);
    this.frames = new Frames(clip.frames, (index, bitmap) => this.shown(index, bitmap), this.fail);
    $("where").max = String(clip.frames - 1);
    this.sheet.begin(clip);
    this.results.begin(clip);
    this.laidOut();
    this.view.fit();
    await this.go(this.draft.value("reference.frame") ?? 0);
    this.found(clip.ball);
    this.board.begin(clip);
    this.weigh();
    this.hear();
    document.body.dataset.ready = "yes";
  }

  async hear() {
    for (let tries = 0; tries < 3; tries += 1) {
      try { await news((name, data) => this.told(name, data)); } catch { /* tried again below */ }
      await new Promise((then) => setTimeout(then, 400));
    }
    $("ended").hidden = false;
    document.body.dataset.ended = "yes";
  }

  told(name, data) {
    if (data.job === "measure") {
      if (name === "progress") this.results.progress(data);
      else if (name === "done") this.results.done(data.result);
      else if (name === "failed") this.results.failed(data);
      else this.results.end();
    } else if (data.job === "board") {
      this.board.told(name, data);
    } else if (data.job === "search") {
      if (name === "progress" && !this.ball) $("found").textContent = `Looking for the ball … ${Math.round((100 * data.done) / data.total)} %`;
      else if (name === "done") { this.found(data.result); this.weigh(); }
      else if (name === "failed") $("found").textContent = `${data.message} ${data.advice}`;
    }
  }

  // -- film ---------------------------------------------------------------------------------

  go(index) { return this.frames.go(index); }

  shown(index, bitmap) {
    this.frame = index; this.bitmap = bitmap;
    $("where").value = String(index);
    $("where").setAttribute("aria-valuetext", `picture ${index + 1} of ${this.clip.frames}`);
    $("when").textContent = `${index + 1} / ${this.clip.frames} · ${this.clip.times[index].toFixed(3)} s`;
    document.body.dataset.frame = String(index);
    this.redraw();
  }

  // How much of the window the list leaves free.
  laidOut() {
    const stage = $("stage").getBoundingClientRect(), sheet = $("sheet").getBoundingClientRect();
    const narrow = matchMedia("(max-width: 760px)").matches;
    if (narrow) {
      // The picture takes the whole width, the list what is left below it.
      const high = (stage.width - 12) * (this.view.height / this.view.width);
      const list = Math.min(Math.max(stage.height - high - 82, 0.4 * stage.height), 0.68 * stage.height);
      document.documentElement.style.setProperty("--list", `${Math.round(list)}px`);
    }
    const reel = $("reel").getBoundingClientRect();
    const gap = 6;
    this.view.free = {
      left: gap, top: gap,
      right: narrow || document.body.classList.contains("folded") ? stage.width - gap : Math.max(sheet.left - gap, gap + 100),
      bottom: Math.max(reel.top - gap, gap + 100),
    };
    if (this.view.whole) this.view.fit();
    this.redraw();
  }

  redraw() {
    if (this.drawing) return;
    this.drawing = requestAnimationFrame(() => { this.drawing = null; this.draw(); });
  }

  draw() {
    const box = this.canvas.getBoundingClientRect(), { view, draft } = this;
    const brush = resize(this.canvas, box.width, box.height);
    drawFilm(brush, view, this.bitmap, box);
    this.board.draw(brush, view, this.frame);
    if (this.shots) this.shots.forEach((shot) => drawShot(brush, view, shot));
    else drawBall(brush, view, this.ball, this.frame);
    const click = (draft.value("reference.click_uncertainty_px") ?? 1) * 1.96;
    for (const step of Object.keys(HOMES)) {
      const points = draft.marks(step).map((mark) => view.toScreen(mark));
      drawShape(brush, step, draft.kind, points);
      points.forEach((point, number) => {
        const chosen = this.chosen?.step === step && this.chosen.number === number;
        drawMark(brush, point, COLOURS[step], { chosen, reach: click * view.scale });
      });
    }
    if (this.cross) drawCross(brush, view.toScreen(this.cross));
    this.write();
    const [x, y] = view.toScreen([0, 0]);
    // So that a script can tell where the picture stands.
    Object.assign(this.canvas.dataset, { scale: String(view.scale), x: String(x), y: String(y) });
  }

  // Words in the picture, where what they speak of is.
  write() {
    const words = new Map(), { view, draft } = this, worth = this.sheet.told?.worth;
    const put = (key, place, text, side = 0) => words.set(key, { at: view.toScreen(place), text, side });
    const middle = (marks) => [0, 1].map((k) => marks.reduce((sum, m) => sum + m[k], 0) / marks.length);
    const known = draft.marks("reference");
    if (known.length > 1 && known.length === draft.slots("reference")) {
      const size = draft.kind === "size" ? (draft.value("reference.size") ?? []).filter(Boolean).join(" × ") : draft.value("reference.length");
      put("reference", middle(known), size ? `${size}${worth && !this.shots ? `  ${percent(worth.speed_share)} of the speed` : ""}` : "how long is this?");
    }
    const board = this.board.outline(this.frame);
    if (board && !this.shots) put("board", middle(board.slice(2)), this.board.used && worth ? `printed board, ${percent(worth.speed_share)} of the speed` : "printed board");
    const plumb = draft.marks("plumb");
    if (plumb.length === 2 && worth && !this.shots) put("plumb", middle(plumb), `angle ${degrees(worth.angle_rad)}`);
    if (this.chosen && worth) {
      const { step, number } = this.chosen, mark = draft.marks(step)[number];
      const effect = step === "reference" ? worth.marks.find((m) => m.mark === number) : null;
      if (mark && effect) put("chosen", mark, `mark ${number + 1}, ±${worth.click_px.toFixed(1)} px: ${percent(effect.speed_share)}`, 1);
      else if (mark && step === "plumb" && worth.plumb[number]) put("chosen", mark, `mark ${number + 1}, ±${worth.click_px.toFixed(1)} px: ${degrees(worth.plumb[number].angle_rad)}`, 1);
    }
    for (const shot of this.shots ?? []) {
      const top = shot.fitted.reduce((a, b) => (b[1] < a[1] ? b : a));
      const words_ = `${this.shots.length > 1 ? `${shot.shot}: ` : ""}${shot.speed}, ${shot.angle}`;
      if (this.shots.length <= 3) put(`shot ${shot.shot}`, [top[0], top[1] - 1.6 * shot.radius], words_, -1);
    }
    for (const [key, { at, text, side }] of words) {
      const label = this.labels.get(key) ?? $("labels").appendChild(document.createElement("span"));
      this.labels.set(key, label);
      label.textContent = text;
      label.className = key.split(" ")[0];
      const wide = label.offsetWidth, { left, right, top, bottom } = view.free;
      const x = Math.min(Math.max(at[0] + (side > 0 ? 18 : -wide / 2), left), right - wide);
      const y = Math.max(Math.min(at[1] + (side > 0 ? -34 : side < 0 ? -40 : 12), bottom - label.offsetHeight), top);
      label.style.transform = `translate(${Math.round(x)}px, ${Math.round(y)}px)`;
    }
    for (const [key, label] of this.labels) if (!words.has(key)) { label.remove(); this.labels.delete(key); }
  }

  // The magnifier; `where` is the pointer, or "corner" for a finger.
  look(place, where) {
    const lens = $("lens"), step = this.sheet.open;
    const useful = place && this.bitmap && (step === "ball" || this.draft.slots(step) > 0);
    lens.hidden = !useful;
    if (!useful) return;
    drawLens(lens, this.bitmap, place, Math.max(LENS_POWER, 2 * this.view.scale), COLOURS[step] ?? COLOURS.ball);
    const { free } = this.view, side = 150, gap = 26;
    let [x, y] = where === "corner" ? [free.left, free.top] : [where[0] + gap, where[1] - gap - side];
    if (where === "corner") {
      const [sx, sy] = this.view.toScreen(place);
      if (sx < free.left + side + 40 && sy < free.top + side + 40) x = free.right - side;
    } else {
      if (x + side > free.right) x = where[0] - gap - side;
      if (y < 0) y = where[1] + gap;
    }
    lens.style.transform = `translate(${x}px, ${y}px)`;
  }

  // -- marks --------------------------------------------------------------------------------

  step() { return this.sheet.open; }

  choose(step, number = 0) {
    this.chosen = step ? { step, number } : null;
    $("pad").hidden = !this.chosen;
    if (this.chosen) this.cross = null;
    this.laidOut();
  }

  async mark(at) {
    const step = this.sheet.open;
    if (step === "ball") return this.pick(at);
    if (!this.draft.slots(step)) return undefined;
    const number = this.draft.place(step, at, this.frame);
    if (number < 0) return this.say("All marks are there. Drag one, or choose it and press the arrow keys.");
    this.choose(step, number);
    return undefined;
  }

  markCross() {
    const at = this.cross ?? (this.chosen ? null : this.view.toPicture(this.view.middle));
    if (at) this.mark(at);
    else if (this.draft.marks(this.sheet.open).length < this.draft.slots(this.sheet.open)) {
      this.cross = [...this.draft.marks(this.chosen.step)[this.chosen.number]];
      this.choose(null);
      this.say("Move the cross with the arrow keys and press Enter.");
    }
  }

  nudge(by) {
    const chosen = this.chosen, mark = chosen && this.draft.marks(chosen.step)[chosen.number];
    if (mark) {
      const to = [mark[0] + by[0], mark[1] + by[1]];
      this.draft.move(chosen.step, chosen.number, to);
      this.view.reveal(to);
      this.look(this.draft.marks(chosen.step)[chosen.number], "corner");
    } else {
      const from = this.cross ?? this.view.toPicture(this.view.middle).map(Math.round);
      this.cross = this.draft.inside([from[0] + by[0], from[1] + by[1]]);
      this.view.reveal(this.cross);
      this.look(this.cross, "corner");
    }
    const [x, y] = mark ? this.draft.marks(chosen.step)[chosen.number] : this.cross;
    $("hint").textContent = `${mark ? "Mark" : "Cross"} at ${x.toFixed(1)}, ${y.toFixed(1)}`;
    this.redraw();
  }

  next(way) {
    const step = this.sheet.open, count = this.draft.marks(step).length;
    if (count) this.choose(step, ((this.chosen?.step === step ? this.chosen.number + way : way > 0 ? 0 : -1) + count) % count);
  }

  take() {
    if (!this.chosen) return;
    this.draft.take(this.chosen.step, this.chosen.number);
    this.choose(null);
  }

  async pick(at) {
    try {
      const found = await post("/api/colour", { frame: this.frame, x: at[0], y: at[1] });
      if (!found) return;
      this.draft.change(() => this.draft.put("ball.colour", found.colour));
      $("found").textContent = `That is ${found.colour}. Looking for it …`;
      this.ball = null;
      await post("/api/search", { colour: found.colour });
    } catch (error) { this.fail(error); }
  }

  found(ball) {
    if (!ball) return;
    this.ball = ball;
    const own = this.draft.value("ball.colour");
    const times = ball.frame.length;
    $("found").textContent = times ? `Something ${ball.colour} flies in ${times} pictures; it is ringed.` : "Nothing was seen to fly like a ball.";
    $("yes").hidden = !times || own === ball.colour;
    this.redraw();
  }

  // -- the list -----------------------------------------------------------------------------

  stepShown(name) {
    this.choose(null);
    this.cross = null;
    this.look(null);
    const hint = HINTS[name];
    this.say(typeof hint === "string" ? hint : hint[this.draft.kind]);
    // A ball is best judged where it is seen.
    if (name === "ball" && this.ball?.frame.length && !this.ball.frame.includes(this.frame)) {
      this.go(this.ball.frame[Math.floor(this.ball.frame.length / 4)]);
    }
  }

  say(words) { $("hint").textContent = words; }

  point(place) {
    const input = document.querySelector(`[data-place="${place}"]`);
    if (!input) return;
    this.sheet.show(input.closest(".step").dataset.step);
    input.focus();
  }

  changed() {
    $("undo").disabled = this.draft.past.length === 0;
    $("redo").disabled = this.draft.future.length === 0;
    if (this.chosen && !this.draft.marks(this.chosen.step)[this.chosen.number]) this.choose(null);
    this.showShots(null);
    this.sheet.fill();
    this.sheet.status();
    this.board.say();
    const hint = HINTS[this.sheet.open];
    if (typeof hint === "object") this.say(hint[this.draft.kind]);
    this.redraw();
    clearTimeout(this.waiting);
    this.waiting = setTimeout(() => this.weigh(), WEIGH_MS);
  }

  async weigh() {
    const asked = (this.asked = (this.asked ?? 0) + 1);
    try {
      const told = await post("/api/weigh", { table: this.draft.told() });
      if (asked !== this.asked) return;
      this.sheet.hear(told);
      this.board.weighed(told);
      document.body.dataset.weighed = String(asked);
      this.redraw();
    } catch (error) { this.fail(error); }
  }

  showShots(shots) {
    this.shots = shots?.length ? shots : null;
    if (shots?.length) this.go(shots[0].frame[Math.floor(shots[0].frame.length / 3)]);
    this.redraw();
  }

  zoomKey(factor) {
    const held = this.chosen ? this.draft.marks(this.chosen.step)[this.chosen.number] : this.cross;
    this.view.zoom(factor, held ? this.view.toScreen(held) : this.view.middle);
    this.redraw();
  }

  fit() { this.view.fit(); this.redraw(); }

  bind() {
    $("where").addEventListener("input", () => this.go(Number($("where").value)));
    for (const button of document.querySelectorAll("[data-go]")) button.addEventListener("click", () => this.go(this.frames.wanted + Number(button.dataset.go)));
    for (const button of document.querySelectorAll("[data-zoom]")) button.addEventListener("click", () => (Number(button.dataset.zoom) ? this.zoomKey(Number(button.dataset.zoom)) : this.fit()));
    $("undo").addEventListener("click", () => this.draft.undo());
    $("redo").addEventListener("click", () => this.draft.redo());
    $("yes").addEventListener("click", () => { this.draft.change(() => this.draft.put("ball.colour", this.ball.colour)); $("yes").hidden = true; this.say(`The ball is ${this.ball.colour}.`); });
    for (const button of document.querySelectorAll("[data-nudge]")) {
      button.addEventListener("click", () => {
        const size = $("finer").getAttribute("aria-pressed") === "true" ? 0.1 : 1;
        this.nudge(button.dataset.nudge.split(" ").map((way) => Number(way) * size));
      });
    }
    $("finer").addEventListener("click", () => $("finer").setAttribute("aria-pressed", String($("finer").getAttribute("aria-pressed") !== "true")));
    $("away").addEventListener("click", () => this.take());
    document.addEventListener("keydown", (event) => {
      if (!(event.ctrlKey || event.metaKey) || /^(text|number)$/.test(event.target.type ?? "")) return;
      const key = event.key.toLowerCase();
      if (key === "z") { event.preventDefault(); if (event.shiftKey) this.draft.redo(); else this.draft.undo(); }
      if (key === "y") { event.preventDefault(); this.draft.redo(); }
    });
    new ResizeObserver(() => this.laidOut()).observe($("stage"));
    new ResizeObserver(() => this.laidOut()).observe($("sheet"));
    matchMedia("(resolution: 1dppx)").addEventListener("change", () => this.redraw());
    addEventListener("beforeunload", (event) => { if (this.draft.dirty && !document.body.dataset.ended) event.preventDefault(); });
    addEventListener("pagehide", () => leave());
  }
}

try {
  await enter();
  await new Desk().begin();
} catch (error) {
  $("hint").textContent = `${error.message} ${error.advice ?? ""}`;
}
