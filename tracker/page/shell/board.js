// The printed board: looked for by the server, drawn into the picture, taken as the known length where none is marked.

import { drop, post } from "./api.js";
import { drawBoard } from "./draw.js";

const $ = (id) => document.getElementById(id);

export class Board {
  constructor(draft, desk) {
    this.draft = draft;
    this.desk = desk;
    this.found = null; // what the server says it saw, once it has looked
    this.looking = true; // it begins by itself, with the first picture
    this.trouble = "";
    this.number = 0;
    this.asked = "";
    this.offered = false;
    $("board-use").addEventListener("click", () => this.use());
    $("board-stop").addEventListener("click", () => drop("/api/jobs/board").catch(desk.fail));
  }

  begin(clip) { if (clip.board) this.hear(clip.board); else this.say(); }

  told(name, data) {
    if (data.number < this.number) return; // of a search whose place another one has taken
    if (name === "done") { this.hear(data.result); this.desk.weigh(); return; }
    this.looking = name === "progress";
    if (name === "failed") this.trouble = `${data.message} ${data.advice}`;
    if (name === "given_up") this.trouble = "Nobody looks for the board any more; measuring will.";
    this.say();
  }

  hear(found) {
    this.found = found;
    this.looking = false;
    this.trouble = "";
    // Where nothing is marked or typed yet, the board is the known length, until somebody undoes it.
    const known = this.draft.table.reference ?? {};
    const free = !["board", "points_px", "length", "size", "points_m"].some((key) => key in known);
    if (found.said && free && this.draft.kind === "length" && !this.offered) this.use();
    this.say();
    this.desk.redraw();
  }

  use() {
    this.offered = true;
    this.draft.takeBoard(this.found.said);
    this.desk.choose(null);
  }

  // The board that is named may be another one than was found: then that one is looked for.
  async weighed(told) {
    this.like = told.board;
    const known = this.draft.table.reference ?? {};
    const named = JSON.stringify([known.board, known.sheets, known.marker]);
    if (this.draft.kind === "board" && told.board === false && named !== this.asked && !told.problem?.place?.startsWith("reference")) {
      this.asked = named;
      this.looking = true;
      this.say();
      try { this.number = (await post("/api/board", { table: this.draft.told() })).number; } catch (error) { this.looking = false; this.desk.fail(error); }
    }
    this.say();
  }

  get used() { return this.draft.kind === "board" && this.like !== false && Boolean(this.found?.said); }

  say() {
    const { found, looking, draft } = this, named = draft.kind === "board";
    let words = "", use = "";
    if (named && looking) words = "Looking for the printed board …";
    else if (this.trouble) words = named ? this.trouble : "";
    else if (this.used) words = `${found.words} No marks are needed.`;
    else if (found?.said) {
      words = named ? `${found.words} It is not the one that is named here.` : `${found.words} It needs no marks.`;
      use = named ? "Take the one that was found" : "Use it in place of marks";
    } else if (named && found) words = "The board was not seen in the pictures looked at. All of it should be in view, flat and evenly lit.";
    if ($("board").textContent !== words) $("board").textContent = words;
    $("board").classList.toggle("worth", this.used && !looking);
    $("board-use").textContent = use;
    $("board-use").hidden = !use;
    $("board-stop").hidden = !(named && looking);
  }

  // Where it is in a picture; one that stands is where it was in the nearest picture looked at.
  at(frame) {
    const { found } = this;
    if (!found?.said) return -1;
    if (!found.stands) return found.frame.indexOf(frame);
    return found.frame.reduce((best, k, i) => (Math.abs(k - frame) < Math.abs(found.frame[best] - frame) ? i : best), 0);
  }

  outline(frame) {
    const at = this.at(frame);
    return at < 0 ? null : this.found.outline[at];
  }

  draw(brush, view, frame) {
    const at = this.at(frame);
    if (at < 0) return;
    const seen = (places) => places.map((place) => view.toScreen(place));
    drawBoard(brush, seen(this.found.outline[at]), seen(this.found.markers[at]), this.used);
  }
}
