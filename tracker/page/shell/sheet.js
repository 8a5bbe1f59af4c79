// The short list of steps: what is typed, what is said about it, and which step is open.

const $ = (id) => document.getElementById(id);
const all = (what) => [...document.querySelectorAll(what)];

export const percent = (share) => `±${share < 0.00995 ? (100 * share).toFixed(2) : (100 * share).toFixed(1)}\u00a0%`;
export const degrees = (rad) => `±${((180 / Math.PI) * rad).toFixed(2)}°`;

export class Sheet {
  constructor(draft, desk) {
    this.draft = draft;
    this.desk = desk;
    this.open = "reference";
    this.told = null;
    for (const step of all(".step")) {
      const head = step.querySelector(".head");
      head.addEventListener("click", () => this.show(step.dataset.step));
      // What is said elsewhere may move the list between a button's going down and its coming up.
      head.addEventListener("pointerdown", (event) => { if (event.pointerType !== "touch" && event.button === 0) this.show(step.dataset.step); });
    }
    for (const input of all("[data-place]")) {
      input.addEventListener("input", () => this.typed(input));
      input.addEventListener("blur", () => setTimeout(() => this.say(), 250));
    }
    for (const kind of all("input[name=kind]")) kind.addEventListener("change", () => { draft.setKind(kind.value); desk.choose(null); });
    for (const button of all("[data-clear]")) {
      button.addEventListener("click", () => { draft.change(() => draft.setMarks(button.dataset.clear, [])); desk.choose(null); });
    }
    $("fold").addEventListener("click", () => this.fold());
  }

  begin(clip) {
    const select = document.querySelector("select[data-place='ball.colour']");
    select.append(new Option("as found", ""), ...clip.colours.map((name) => new Option(name, name)));
    const own = this.draft.value("ball.colour");
    if (own && !clip.colours.includes(own)) select.append(new Option(own, own));
    $("safety").querySelector("ul").replaceChildren(...clip.safety.slice(1).map((line) => item("li", line)));
    $("neighbour").replaceChildren(...clip.neighbours.map((name, i) => new Option(name, String(i))));
    this.fill();
    this.show("reference");
  }

  typed(input) {
    const place = input.dataset.place;
    let value = input.value.trim();
    if (place === "camera.capture_fps" && value !== "" && Number.isFinite(Number(value))) value = Number(value);
    this.draft.change(() => this.draft.put(place, value), `type ${place}`);
  }

  // Puts the draft into the fields, but never under the hands of somebody who types.
  fill() {
    for (const input of all("[data-place]")) {
      const value = this.draft.value(input.dataset.place);
      if (document.activeElement !== input) input.value = value ?? "";
    }
    const kind = this.draft.kind;
    for (const input of all("input[name=kind]")) input.checked = input.value === kind;
    for (const part of all("[data-kind]")) part.hidden = part.dataset.kind !== kind;
  }

  show(name) {
    this.open = name;
    for (const step of all(".step")) {
      const mine = step.dataset.step === name;
      step.classList.toggle("open", mine);
      step.querySelector(".body").hidden = !mine;
      step.querySelector(".head").setAttribute("aria-expanded", String(mine));
    }
    if (document.body.classList.contains("folded")) this.fold();
    document.querySelector(`[data-step=${name}]`).scrollIntoView({ block: "nearest" });
    this.desk.stepShown(name);
  }

  fold() {
    const folded = document.body.classList.toggle("folded");
    $("fold").setAttribute("aria-expanded", String(!folded));
    $("fold").setAttribute("aria-label", folded ? "Show the list" : "Fold the list away");
    this.desk.laidOut();
  }

  // What the server thinks of the draft.
  hear(told) {
    this.told = told;
    this.say();
  }

  say() {
    const { draft, told } = this;
    const worth = told?.worth;
    this.status();
    if (!told) return;
    const problem = told.problem;
    for (const input of all("[data-place]")) {
      const place = input.dataset.place.split(".").slice(0, 2).join(".");
      const bad = problem?.place === place || (place === "reference.size" && problem && !problem.place);
      const shown = bad && document.activeElement !== input && draft.value(input.dataset.place) !== undefined;
      input.toggleAttribute("aria-invalid", Boolean(shown));
      const about = document.querySelector(`[data-about="${input.dataset.place}"]`);
      if (!about) continue;
      about.dataset.note ??= about.textContent;
      about.textContent = shown ? `${problem.message} ${problem.advice}` : about.dataset.note;
      about.classList.toggle("problem", Boolean(shown));
    }
    const needed = told.missing.some((m) => m.needed);
    $("problem").textContent = problem && !needed ? `${problem.message} ${problem.advice}` : "";
    $("missing").replaceChildren(...told.missing.map((m) => item("li", m.good_for, m.needed ? "needed" : "")));
    const reference = worth ? `One pixel along the flight is ${Number(worth.mm_per_px.toPrecision(3))}\u00a0mm. Alone it makes the speed ${percent(worth.speed_share)} sure; most of that is ${worth.shares[0].from}. Gravity will help.` : "";
    document.querySelector("[data-worth=reference]").textContent = reference;
    const plumb = worth?.plumb.length ? `With it the angle is ${degrees(worth.angle_rad)} sure.` : worth ? `Without it the angle is ${degrees(worth.angle_rad)} sure.` : "";
    document.querySelector("[data-worth=plumb]").textContent = plumb;
  }

  // One short word beside each step.
  status() {
    const { draft } = this, said = {};
    const worth = this.told?.worth;
    const marks = draft.marks("reference").length, slots = draft.slots("reference");
    const size = draft.kind === "board" ? draft.value("reference.board") : draft.kind === "size"
      ? (draft.value("reference.size") ?? []).filter(Boolean).join(" × ") : draft.value("reference.length");
    said.reference = draft.kind === "board" ? worth ? `board, ${percent(worth.speed_share)}` : `board ${size ?? ""}` : marks < slots ? `${marks} of ${slots} marks` : size ? `${size}${worth ? `, ${percent(worth.speed_share)}` : ""}` : "how long?";
    said.ball = [draft.value("ball.colour"), draft.value("ball.diameter") || "how large?"].filter(Boolean).join(", ");
    const plumb = draft.marks("plumb").length;
    said.plumb = plumb === 2 ? worth ? `angle ${degrees(worth.angle_rad)}` : "marked" : plumb ? "1 of 2 marks" : "if you like";
    said.exit = draft.marks("exit").length ? "marked" : "if you like";
    said.room = [draft.value("camera.distance"), draft.value("launcher.wheel_speed")].filter(Boolean).join(", ") || "if you like";
    said.measure = draft.dirty ? "not saved" : "";
    for (const [step, words] of Object.entries(said)) document.querySelector(`[data-said=${step}]`).textContent = words;
    const whole = { reference: draft.kind === "board" ? this.told?.board === true : marks === slots && Boolean(size), ball: Boolean(draft.value("ball.diameter")), plumb: plumb === 2, exit: draft.marks("exit").length > 0, room: said.room !== "if you like", measure: false };
    for (const step of all(".step")) step.classList.toggle("done", whole[step.dataset.step]);
  }
}

export function item(kind, words, className = "") {
  const element = document.createElement(kind);
  element.textContent = words;
  if (className) element.className = className;
  return element;
}
