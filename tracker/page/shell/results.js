// Saving, measuring, and what came out.

import { blob, drop, post } from "./api.js";
import { item } from "./sheet.js";

const $ = (id) => document.getElementById(id);

export class Results {
  constructor(draft, desk) {
    this.draft = draft;
    this.desk = desk;
    this.job = 0;
    this.other = null;
    this.after = null;
    this.images = [];
    $("save").addEventListener("click", () => this.save({}));
    $("measure").addEventListener("click", () => this.measure({}));
    $("another").addEventListener("click", () => this.again({ another: true }));
    $("replace").addEventListener("click", () => this.again({ replace: true }));
    $("stop").addEventListener("click", () => drop("/api/jobs/measure").catch(desk.fail));
    $("compare").addEventListener("click", () => this.compare());
    $("measure-other").addEventListener("click", () => this.measureOther());
    $("neighbour").addEventListener("change", () => { $("compared").textContent = ""; $("measure-other").hidden = true; });
    $("large").querySelector("button").addEventListener("click", () => $("large").close());
  }

  begin(clip) {
    $("next").hidden = clip.neighbours.length === 0;
    $("saved").textContent = clip.like ?? (clip.exists && !clip.problem ? `The marks come from ${clip.file}.` : "");
    if (clip.problem) $("problem").textContent = `${clip.problem.message} ${clip.problem.advice}`;
  }

  async save(how) {
    this.after = null;
    $("conflict").hidden = true;
    try {
      const said = await post("/api/save", { table: this.draft.told(), ...how });
      this.draft.settled();
      $("saved").textContent = `Saved in ${said.file}, beside the clip.`;
      $("problem").textContent = "";
      this.desk.sheet.status();
      return true;
    } catch (error) {
      $("problem").textContent = `${error.message} ${error.advice ?? ""}`;
      $("conflict").hidden = error.code !== "setup_not_ours";
      if (error.place) this.desk.point(error.place);
      return false;
    }
  }

  async again(how) {
    const then = this.after;
    if ((await this.save(how)) && then) await then();
  }

  async measure(how) {
    const go = async () => { this.other = null; await this.start("/api/measure"); };
    if (await this.save(how)) await go();
    else this.after = go;
  }

  async start(path) {
    $("results").replaceChildren();
    this.desk.showShots(null);
    $("working").hidden = false;
    $("progress").value = 0;
    $("measure").disabled = true;
    try { this.job = (await post(path)).number; } catch (error) { this.end(); this.desk.fail(error); }
  }

  end() {
    $("working").hidden = true;
    $("measure").disabled = false;
  }

  progress({ number, done, total }) {
    if (number === this.job || !this.job) $("progress").value = Math.min(0.97, done / total);
  }

  failed(said) {
    this.end();
    $("results").replaceChildren(item("p", `${said.message} ${said.advice}`, "problem"));
  }

  async done(result) {
    this.end();
    this.images.forEach((url) => URL.revokeObjectURL(url));
    this.images = [];
    const parts = [item("h3", result.headline)];
    for (const shot of result.shots) {
      const list = document.createElement("dl");
      for (const [name, value] of [["speed", shot.speed], ["angle", shot.angle], ["spin", shot.spin ?? "not measured"]]) {
        list.append(item("dt", result.shots.length > 1 && name === "speed" ? `shot ${shot.shot}, speed` : name), item("dd", value));
      }
      const picture = document.createElement("button");
      picture.type = "button"; picture.className = "picture";
      picture.setAttribute("aria-label", `Show the flight of shot ${shot.shot} large`);
      parts.push(list, picture);
      this.picture(shot.shot, picture, `Shot ${shot.shot}: ${shot.speed} at ${shot.angle}, drawn over the film`);
    }
    for (const warning of [...result.warnings, ...result.shots.flatMap((s) => s.flags)]) {
      const note = item("p", warning.message, "warning");
      note.append(item("span", ` ${warning.advice}`));
      parts.push(note);
    }
    if (result.wheel) parts.push(item("p", result.wheel));
    parts.push(item("p", result.trust, "trust"));
    $("results").replaceChildren(...parts);
    $("results").scrollIntoView({ block: "start" });
    this.desk.say(result.shots.length ? "Measured." : result.headline);
    if (this.other === null) this.desk.showShots(result.shots);
  }

  async picture(shot, button, words) {
    const from = this.other === null ? "/api" : `/api/neighbours/${this.other}`;
    try {
      const url = URL.createObjectURL(await blob(`${from}/flight/${shot}`));
      this.images.push(url);
      const image = new Image();
      image.alt = words;
      image.src = url;
      button.append(image);
      button.addEventListener("click", () => {
        const large = $("large").querySelector("img");
        large.src = url; large.alt = words;
        $("large").showModal();
      });
    } catch (error) { button.remove(); this.desk.fail(error); }
  }

  async compare() {
    $("compared").textContent = "Looking …";
    try {
      const said = await post(`/api/neighbours/${$("neighbour").value}/compare`);
      $("compared").textContent = said.words;
      $("measure-other").hidden = !said.stands;
    } catch (error) { $("compared").textContent = `${error.message} ${error.advice ?? ""}`; }
  }

  async measureOther() {
    const number = $("neighbour").value;
    if (await this.save({})) { this.other = number; await this.start(`/api/neighbours/${number}/measure`); }
  }
}
