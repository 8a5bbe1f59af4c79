// The picture and everything that stands in it. Colours are those of the printed pictures.

export const COLOURS = { reference: "#56B4E9", plumb: "#38c79a", exit: "#ff7a1f", path: "#2f9be6", ball: "#E69F00" };
const PAPER = "#FCFAF5", INK = "#14171d";
const OPEN = 4; // of a mark's middle, which is left free so that one sees what is marked

export function resize(canvas, width, height) {
  const dots = window.devicePixelRatio || 1;
  const w = Math.max(1, Math.round(width * dots)), h = Math.max(1, Math.round(height * dots));
  if (canvas.width !== w || canvas.height !== h) { canvas.width = w; canvas.height = h; }
  const brush = canvas.getContext("2d");
  brush.setTransform(w / width, 0, 0, h / height, 0, 0);
  return brush;
}

// A line with a rim, so that it is seen on light and dark film alike.
function stroke(brush, colour, width, path, dash = []) {
  brush.lineCap = "round"; brush.lineJoin = "round";
  brush.setLineDash(dash);
  for (const [style, wide] of [[INK, width + 2.4], [colour, width]]) {
    brush.beginPath(); path(); brush.strokeStyle = style; brush.lineWidth = wide; brush.stroke();
  }
  brush.setLineDash([]);
}

const lines = (brush, points, closed = false) => () => {
  points.forEach(([x, y], i) => (i ? brush.lineTo(x, y) : brush.moveTo(x, y)));
  if (closed) brush.closePath();
};

export function drawFilm(brush, view, bitmap, size) {
  brush.clearRect(0, 0, size.width, size.height);
  if (bitmap) drawPixels(brush, bitmap, view.x, view.y, view.scale, size);
}

// A picture, `scale` CSS pixels to one of its own, each of which is seen where it is enlarged. Left to itself, the
// browser lets an enlarged pixel end at whole dots of the screen, and the picture is off by up to half a dot where a
// pixel has no whole number of them. So it is enlarged by a whole number first, and brought to size smoothly.
const whole = document.createElement("canvas");

function drawPixels(brush, bitmap, x, y, scale, size) {
  const times = Math.floor(scale * (window.devicePixelRatio || 1));
  brush.imageSmoothingEnabled = true;
  if (times < 2) {
    brush.imageSmoothingQuality = "high";
    brush.drawImage(bitmap, x, y, bitmap.width * scale, bitmap.height * scale);
    return;
  }
  // What is seen, and a pixel more on each side, so that its edge is smooth as well.
  const seen = (from, room, most) => [Math.max(Math.floor(-from / scale) - 1, 0), Math.min(Math.ceil((room - from) / scale) + 1, most)];
  const [left, right] = seen(x, size.width, bitmap.width), [top, bottom] = seen(y, size.height, bitmap.height);
  const wide = right - left, high = bottom - top;
  if (wide <= 0 || high <= 0) return;
  if (whole.width < wide * times || whole.height < high * times) {
    whole.width = Math.max(whole.width, wide * times);
    whole.height = Math.max(whole.height, high * times);
  }
  const large = whole.getContext("2d");
  large.imageSmoothingEnabled = false;
  large.drawImage(bitmap, left, top, wide, high, 0, 0, wide * times, high * times);
  brush.imageSmoothingQuality = "low"; // in a straight line from one dot to the next, which shifts nothing
  brush.drawImage(whole, 0, 0, wide * times, high * times, x + left * scale, y + top * scale, wide * scale, high * scale);
}

// Four ticks round a free middle, and how far off a click may be as a fine ring.
export function drawMark(brush, [x, y], colour, { chosen, reach }) {
  const long = chosen ? 15 : 10;
  const ticks = [[1, 0], [-1, 0], [0, 1], [0, -1]];
  stroke(brush, colour, chosen ? 2.4 : 1.8, () => {
    for (const [a, b] of ticks) {
      brush.moveTo(x + a * OPEN, y + b * OPEN);
      brush.lineTo(x + a * long, y + b * long);
    }
  });
  if (reach > 2.5) stroke(brush, colour, chosen ? 1.4 : 0.9, () => { brush.moveTo(x + reach, y); brush.arc(x, y, reach, 0, 2 * Math.PI); }, [3, 4]);
}

// A known length is a line with feet, a rectangle a frame, a plumb line a line with a weight, an exit a gate.
export function drawShape(brush, step, kind, points) {
  const colour = COLOURS[step];
  if (step === "reference" && points.length > 2) {
    const middle = [0, 1].map((k) => points.reduce((sum, p) => sum + p[k], 0) / points.length);
    const turned = [...points].sort((a, b) =>
      Math.atan2(a[1] - middle[1], a[0] - middle[0]) - Math.atan2(b[1] - middle[1], b[0] - middle[0]));
    stroke(brush, colour, 1.6, lines(brush, turned, points.length === 4));
  } else if (points.length === 2) {
    stroke(brush, colour, 1.8, lines(brush, points));
  }
  if (step === "plumb" && points.length === 2) {
    const [x, y] = points[0][1] > points[1][1] ? points[0] : points[1];
    stroke(brush, colour, 1.8, () => { brush.moveTo(x - 7, y + 17); brush.lineTo(x, y + 30); brush.lineTo(x + 7, y + 17); brush.closePath(); });
  }
}

// A printed board: a frame round its markers with strong corners, and a dot in the middle of each marker that was
// read, where there is room for dots.
export function drawBoard(brush, frame, markers, used) {
  const colour = COLOURS.reference;
  const side = (i) => Math.hypot(frame[i][0] - frame[i - 1][0], frame[i][1] - frame[i - 1][1]);
  const roomy = Math.sqrt((side(1) * side(2)) / Math.max(markers.length, 1)) > 26;
  stroke(brush, colour, used && roomy ? 1.6 : 1, lines(brush, frame, true), used ? [] : [3, 5]);
  stroke(brush, colour, used && roomy ? 3 : 2, () => {
    frame.forEach(([x, y], i) => {
      for (const [u, v] of [frame[(i + 1) % 4], frame[(i + 3) % 4]]) {
        const far = Math.hypot(u - x, v - y), part = Math.min(14, far / 4) / (far || 1);
        brush.moveTo(x, y); brush.lineTo(x + (u - x) * part, y + (v - y) * part);
      }
    });
  });
  for (const [x, y] of roomy ? markers : []) {
    for (const [style, radius] of [[INK, 3], [colour, 2]]) {
      brush.fillStyle = style; brush.beginPath(); brush.arc(x, y, radius, 0, 2 * Math.PI); brush.fill();
    }
  }
}

export function drawBall(brush, view, ball, frame) {
  const at = ball ? ball.frame.indexOf(frame) : -1;
  if (at < 0) return;
  const [x, y] = view.toScreen([ball.x[at], ball.y[at]]);
  const radius = Math.max(ball.radius[at] * view.scale, 4) + 3;
  stroke(brush, COLOURS.ball, 2, () => { brush.moveTo(x + radius, y); brush.arc(x, y, radius, 0, 2 * Math.PI); }, [6, 5]);
}

// The measured flight: the fitted path, the sightings, the gate at the exit and the way the ball leaves.
export function drawShot(brush, view, shot) {
  stroke(brush, COLOURS.path, 2, lines(brush, shot.fitted.map((p) => view.toScreen(p))));
  brush.fillStyle = PAPER;
  shot.seen.forEach((place, i) => {
    if (i % 3 || !shot.used[i]) return;
    const [x, y] = view.toScreen(place);
    brush.beginPath(); brush.arc(x, y, 1.6, 0, 2 * Math.PI); brush.fill();
  });
  const radius = Math.max(shot.radius * view.scale, 5);
  const along = [shot.forward * Math.cos(shot.angle_rad), -Math.sin(shot.angle_rad)];
  const across = [-along[1], along[0]];
  const [x, y] = view.toScreen(shot.exit);
  stroke(brush, COLOURS.exit, 3, () => {
    for (const side of [-1, 1]) {
      brush.moveTo(x + side * across[0] * 1.25 * radius, y + side * across[1] * 1.25 * radius);
      brush.lineTo(x + side * across[0] * 2.4 * radius, y + side * across[1] * 2.4 * radius);
    }
  });
}

export function drawCross(brush, [x, y]) {
  stroke(brush, PAPER, 1.2, () => {
    for (const [a, b] of [[1, 0], [-1, 0], [0, 1], [0, -1]]) {
      brush.moveTo(x + a * OPEN, y + b * OPEN); brush.lineTo(x + a * 22, y + b * 22);
    }
  });
}

// The magnifier: what lies round a place, so large that single pixels are seen.
export function drawLens(canvas, bitmap, place, power, colour) {
  const side = 150;
  const brush = resize(canvas, side, side);
  brush.fillStyle = "#222"; brush.fillRect(0, 0, side, side);
  const x = side / 2 - (place[0] + 0.5) * power, y = side / 2 - (place[1] + 0.5) * power;
  drawPixels(brush, bitmap, x, y, power, { width: side, height: side });
  stroke(brush, colour, 1.4, () => {
    for (const [a, b] of [[1, 0], [-1, 0], [0, 1], [0, -1]]) {
      brush.moveTo(side / 2 + a * 6, side / 2 + b * 6);
      brush.lineTo(side / 2 + a * 26, side / 2 + b * 26);
    }
  });
}
