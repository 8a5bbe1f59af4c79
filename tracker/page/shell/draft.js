// The setup in the making: one table as the file has it, marks and all, with undo and redo.

const TENTH = 1000;
const tidy = (v) => Math.round(v * TENTH) / TENTH;

// Which marks each step has, and where they live in the table.
export const HOMES = {
  reference: ["reference", "points_px"],
  plumb: ["camera", "plumb_px"],
  exit: ["launcher", "exit_px"],
};

export class Draft {
  constructor() {
    this.table = {};
    this.kind = "length";
    this.width = 0; this.height = 0;
    this.past = []; this.future = [];
    this.saved = "";
    this.changed = () => {};
  }

  begin(table, width, height) {
    this.table = table;
    this.width = width; this.height = height;
    const known = table.reference ?? {};
    this.kind = known.board ? "board" : known.size ? "size" : known.points_m ? "places" : "length";
    this.saved = this.text();
  }

  text() { return JSON.stringify([this.table, this.kind]); }
  get dirty() { return this.text() !== this.saved; }
  settled() { this.saved = this.text(); }

  // One change that undo takes back; changes of one drag or nudge go together under a name.
  change(what, name = null) {
    const before = this.text();
    what(this.table);
    if (this.text() === before) return;
    const last = this.past.at(-1);
    if (!(name && last?.name === name && Date.now() - last.at < 1500)) this.past.push({ text: before, name, at: Date.now() });
    else last.at = Date.now();
    this.future = [];
    this.changed();
  }

  undo() { this.travel(this.past, this.future); }
  redo() { this.travel(this.future, this.past); }

  travel(from, to) {
    const there = from.pop();
    if (!there) return;
    to.push({ text: this.text(), name: null, at: 0 });
    [this.table, this.kind] = JSON.parse(there.text);
    this.changed();
  }

  value(place) {
    const [section, key, part] = place.split(".");
    const value = this.table[section]?.[key];
    return part === undefined ? value : value?.[Number(part)];
  }

  put(place, value) {
    const [section, key, part] = place.split(".");
    const content = (this.table[section] ??= {});
    if (part !== undefined) {
      const list = content[key] ?? ["", ""];
      list[Number(part)] = value ?? "";
      content[key] = list;
    } else if (value === undefined || value === "") delete content[key];
    else content[key] = value;
  }

  // -- marks --------------------------------------------------------------------------------

  slots(step) {
    if (step === "reference") {
      if (this.kind === "board") return 0;
      return this.kind === "places" ? this.table.reference?.points_m?.length ?? 4 : this.kind === "size" ? 4 : 2;
    }
    return { plumb: 2, exit: 1 }[step] ?? 0;
  }

  marks(step) {
    if (!(step in HOMES) || (step === "reference" && this.kind === "board")) return [];
    const value = this.table[HOMES[step][0]]?.[HOMES[step][1]];
    if (value === undefined) return [];
    return step === "exit" ? [value] : value;
  }

  setMarks(step, marks, frame) {
    const [section, key] = HOMES[step];
    const content = (this.table[section] ??= {});
    if (marks.length === 0) delete content[key];
    else content[key] = step === "exit" ? marks[0] : marks;
    if (step !== "reference") return;
    if (marks.length === 0) { delete content.frame; delete content.picture; return; }
    content.picture = [this.width, this.height];
    if (frame !== undefined) content.frame = frame;
  }

  inside([x, y]) {
    return [tidy(Math.min(Math.max(x, -0.5), this.width - 0.5)), tidy(Math.min(Math.max(y, -0.5), this.height - 0.5))];
  }

  // Adds a mark, or moves the only one; gives its number, or -1 if all are there.
  place(step, at, frame) {
    const marks = this.marks(step).map((m) => [...m]);
    const all = this.slots(step);
    if (all === 1) marks[0] = this.inside(at);
    else if (marks.length < all) marks.push(this.inside(at));
    else return -1;
    this.change(() => this.setMarks(step, marks, frame));
    return all === 1 ? 0 : marks.length - 1;
  }

  move(step, number, to, name) {
    const marks = this.marks(step).map((m) => [...m]);
    if (!marks[number]) return;
    marks[number] = this.inside(to);
    this.change(() => this.setMarks(step, marks), name ?? `move ${step} ${number}`);
  }

  take(step, number) {
    const marks = this.marks(step).filter((_, i) => i !== number);
    this.change(() => this.setMarks(step, marks));
  }

  setKind(kind) {
    if (kind === this.kind) return;
    this.change((table) => {
      const known = (table.reference ??= {});
      this.kind = kind;
      if (kind === "board") {
        for (const key of ["points_px", "picture", "frame", "length", "size", "points_m", "length_uncertainty", "click_uncertainty_px"]) delete known[key];
        known.board ??= "A4";
      } else {
        for (const key of ["board", "sheets", "marker", "ruler", "points_m"]) delete known[key];
        if (kind === "length") {
          delete known.size;
          if (known.points_px) known.points_px = known.points_px.slice(0, 2);
        } else { delete known.length; known.size ??= ["", ""]; }
      }
    });
  }

  // A board that was found takes the place of whatever was marked.
  takeBoard(said) {
    this.change((table) => {
      const known = (table.reference ??= {});
      for (const key of ["points_px", "picture", "frame", "length", "size", "points_m", "length_uncertainty", "click_uncertainty_px", "sheets", "marker"]) delete known[key];
      Object.assign(known, said);
      this.kind = "board";
    });
  }

  // What is whole enough to be told to the server: half a mark is no fault yet.
  told() {
    const table = structuredClone(this.table);
    if (table.reference && this.kind !== "board") {
      if (this.marks("reference").length < this.slots("reference")) delete table.reference;
      else if (table.reference.size?.some((side) => !side)) delete table.reference.size;
    }
    if (table.camera?.plumb_px && table.camera.plumb_px.length < 2) delete table.camera.plumb_px;
    for (const section of Object.keys(table)) {
      for (const [key, value] of Object.entries(table[section])) if (value === "") delete table[section][key];
      if (Object.keys(table[section]).length === 0) delete table[section];
    }
    return table;
  }
}
