// Mouse, pen, fingers and keys on the picture.

const NEAR_MOUSE = 12, NEAR_FINGER = 28, TAP_PX = 8, TAP_MS = 600;

export class Hand {
  // `desk` has: view, draft, step(), chosen, choose(step, number), cross, mark(at), look(at), go(frame), frame, redraw()
  constructor(canvas, desk) {
    this.canvas = canvas;
    this.desk = desk;
    this.fingers = new Map();
    this.grip = null;
    const on = (name, what) => canvas.addEventListener(name, what.bind(this));
    on("pointerdown", this.down); on("pointermove", this.moved);
    on("pointerup", this.up); on("pointercancel", this.cancel);
    on("pointerleave", () => { if (!this.grip) desk.look(null); });
    canvas.addEventListener("wheel", this.wheel.bind(this), { passive: false });
    on("keydown", this.key);
    on("contextmenu", (event) => event.preventDefault());
  }

  at(event) {
    const box = this.canvas.getBoundingClientRect();
    return [event.clientX - box.left, event.clientY - box.top];
  }

  // The nearest mark of the open step, if one is within reach.
  nearest(at, reach) {
    const { view, draft } = this.desk, step = this.desk.step();
    let best = null;
    draft.marks(step).forEach((mark, number) => {
      const [x, y] = view.toScreen(mark);
      const far = Math.hypot(x - at[0], y - at[1]);
      if (far <= reach && (!best || far < best.far)) best = { step, number, far };
    });
    return best;
  }

  down(event) {
    if (event.button > 1) return;
    this.canvas.setPointerCapture(event.pointerId);
    this.canvas.focus({ preventScroll: true });
    const at = this.at(event);
    this.fingers.set(event.pointerId, at);
    if (this.fingers.size === 2) { this.grip = { kind: "pinch" }; this.desk.look(null); return; }
    const touch = event.pointerType === "touch";
    const near = event.button === 0 ? this.nearest(at, touch ? NEAR_FINGER : NEAR_MOUSE) : null;
    this.grip = { kind: near ? "mark" : "film", near, from: at, last: at, time: event.timeStamp, moved: false, touch, button: event.button };
    if (near) {
      this.grip.start = this.desk.draft.marks(near.step)[near.number];
      this.desk.choose(near.step, near.number);
      this.desk.look(this.grip.start, touch ? "corner" : at);
    }
  }

  moved(event) {
    const at = this.at(event);
    this.pointer = at;
    const grip = this.grip, { view, draft } = this.desk;
    if (!this.fingers.has(event.pointerId)) {
      if (event.pointerType !== "touch") this.desk.look(view.toPicture(at), at);
      return;
    }
    if (grip?.kind === "pinch") { this.pinch(event.pointerId, at); return; }
    this.fingers.set(event.pointerId, at);
    if (!grip) return;
    if (Math.hypot(at[0] - grip.from[0], at[1] - grip.from[1]) > (grip.touch ? TAP_PX : 3)) grip.moved = true;
    if (grip.kind === "mark" && grip.moved) {
      // A finger hides what it points at, so the mark moves along with it instead of jumping to it.
      const to = [0, 1].map((k) => grip.start[k] + (at[k] - grip.from[k]) / view.scale);
      draft.move(grip.near.step, grip.near.number, to, `drag ${grip.time}`);
      this.desk.look(draft.marks(grip.near.step)[grip.near.number], grip.touch ? "corner" : at);
    } else if (grip.kind === "film" && grip.moved) {
      view.pan(at[0] - grip.last[0], at[1] - grip.last[1]);
      this.desk.look(null);
      this.desk.redraw();
    }
    grip.last = at;
  }

  pinch(id, at) {
    const other = [...this.fingers].find(([key]) => key !== id)?.[1];
    const before = this.fingers.get(id);
    if (!other) return;
    const far = (a) => Math.max(Math.hypot(a[0] - other[0], a[1] - other[1]), 1);
    const middle = [(at[0] + other[0]) / 2, (at[1] + other[1]) / 2];
    this.desk.view.zoom(far(at) / far(before), middle);
    this.desk.view.pan((at[0] - before[0]) / 2, (at[1] - before[1]) / 2);
    this.fingers.set(id, at);
    this.desk.redraw();
  }

  up(event) {
    this.fingers.delete(event.pointerId);
    const grip = this.grip;
    if (this.fingers.size === 0) this.grip = null;
    if (!grip || grip.kind !== "film" || grip.moved || grip.button !== 0) { if (grip?.touch) this.desk.look(null); return; }
    if (event.timeStamp - grip.time > TAP_MS && grip.touch) return;
    this.desk.mark(this.desk.view.toPicture(this.at(event)));
    if (grip.touch) this.desk.look(null);
  }

  cancel(event) {
    this.fingers.delete(event.pointerId);
    this.grip = null;
    this.desk.look(null);
  }

  wheel(event) {
    event.preventDefault();
    const lines = event.deltaMode === 1 ? 30 : 1;
    // Wheel events tell whole pixels only; where the pointer last was is known better.
    const whole = this.at(event), near = this.pointer ?? whole;
    const at = Math.hypot(near[0] - whole[0], near[1] - whole[1]) < 1.5 ? near : whole;
    this.desk.view.zoom(Math.exp(-event.deltaY * lines * 0.0015), at);
    this.desk.redraw();
  }

  key(event) {
    const arrows = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
    const desk = this.desk;
    const done = () => { event.preventDefault(); event.stopPropagation(); };
    if (event.key in arrows) {
      const size = event.altKey || event.ctrlKey ? 0.1 : event.shiftKey ? 10 : 1;
      desk.nudge(arrows[event.key].map((way) => way * size));
      return done();
    }
    if (event.ctrlKey || event.metaKey || event.altKey) return undefined;
    const ten = event.shiftKey ? 10 : 1;
    const keys = {
      Enter: () => desk.markCross(), " ": () => desk.markCross(),
      ",": () => desk.go(desk.frame - 1), "<": () => desk.go(desk.frame - 10), ";": () => desk.go(desk.frame - ten),
      ".": () => desk.go(desk.frame + 1), ">": () => desk.go(desk.frame + 10), ":": () => desk.go(desk.frame + ten),
      PageUp: () => desk.go(desk.frame - 10), PageDown: () => desk.go(desk.frame + 10),
      Home: () => desk.go(0), End: () => desk.go(Infinity),
      "+": () => desk.zoomKey(1.5), "=": () => desk.zoomKey(1.5), "-": () => desk.zoomKey(1 / 1.5), 0: () => desk.fit(),
      n: () => desk.next(1), p: () => desk.next(-1),
      Escape: () => desk.choose(null), Delete: () => desk.take(), Backspace: () => desk.take(),
    };
    if (!(event.key in keys)) return undefined;
    keys[event.key]();
    return done();
  }
}
