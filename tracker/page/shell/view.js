// Where the picture stands on the screen. Picture coordinates: the middle of the first pixel is (0, 0).

export const MOST = 64;

export class View {
  constructor() {
    this.width = 1; this.height = 1; // of the picture
    this.scale = 1; this.x = 0; this.y = 0; // screen = (picture + 0.5) * scale + (x, y), in CSS pixels
    this.free = { left: 0, top: 0, right: 1, bottom: 1 }; // what nothing covers
    this.whole = true;
  }

  toScreen([x, y]) {
    return [(x + 0.5) * this.scale + this.x, (y + 0.5) * this.scale + this.y];
  }

  toPicture([x, y]) {
    return [(x - this.x) / this.scale - 0.5, (y - this.y) / this.scale - 0.5];
  }

  fit() {
    const { left, top, right, bottom } = this.free;
    this.scale = Math.min((right - left) / this.width, (bottom - top) / this.height);
    this.x = (left + right - this.width * this.scale) / 2;
    this.y = (top + bottom - this.height * this.scale) / 2;
    this.whole = true;
  }

  zoom(factor, at) {
    const least = 0.5 * Math.min(
      (this.free.right - this.free.left) / this.width, (this.free.bottom - this.free.top) / this.height);
    const scale = Math.min(Math.max(this.scale * factor, least), MOST);
    const held = this.toPicture(at);
    this.scale = scale;
    this.x = at[0] - (held[0] + 0.5) * scale;
    this.y = at[1] - (held[1] + 0.5) * scale;
    this.whole = false;
    this.keep();
  }

  pan(dx, dy) {
    this.x += dx; this.y += dy;
    this.whole = false;
    this.keep();
  }

  // Some of the picture always stays where it can be seen.
  keep() {
    const { left, top, right, bottom } = this.free;
    const room = 80;
    this.x = Math.min(Math.max(this.x, left + room - this.width * this.scale), right - room);
    this.y = Math.min(Math.max(this.y, top + room - this.height * this.scale), bottom - room);
  }

  // Brings a place of the picture into sight, if it is not.
  reveal(place) {
    const [x, y] = this.toScreen(place);
    const { left, top, right, bottom } = this.free;
    const room = 40;
    const dx = x < left + room ? left + room - x : x > right - room ? right - room - x : 0;
    const dy = y < top + room ? top + room - y : y > bottom - room ? bottom - room - y : 0;
    if (dx || dy) { this.x += dx; this.y += dy; }
  }

  get middle() {
    return [(this.free.left + this.free.right) / 2, (this.free.top + this.free.bottom) / 2];
  }
}
