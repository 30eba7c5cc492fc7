// One sensor's path, drawn from its packed readings: recorded and gas-corrected headroom, the fit, and the fan ahead.

const TICKS = [0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1, 1.2, 1.5, 1.75, 2, 2.5, 3, 4, 5, 6, 8, 10];

class Paths {
  constructor(store) {
    this.store = store;
    this.place = new Map(store.at.map((row, k) => [row, k]));
    const points = 2 * (store.past + store.future);
    this.starts = [0];
    for (const count of store.counts) this.starts.push(this.starts[this.starts.length - 1] + 4 * count + points);
  }

  numbers() {
    if (!this.decoded) {
      const bytes = Uint8Array.from(atob(this.store.numbers), (c) => c.charCodeAt(0));
      const view = new DataView(bytes.buffer);
      this.decoded = Int16Array.from({ length: bytes.length / 2 }, (_, k) => view.getInt16(2 * k, true));
    }
    return this.decoded;
  }

  // Readings and fitted path of the sensor in `row` of the list, or null where the file does not carry them.
  of(row) {
    if (!this.place.has(row)) return null;
    const k = this.place.get(row), n = this.store.counts[k], start = this.starts[k], all = this.numbers();
    const part = (from, count) => Array.from(all.subarray(start + from, start + from + count));
    const { past, future } = this.store, points = past + future;
    const [first, last] = this.store.ends[k];
    const days = [...Array.from({ length: past }, (_, j) => first * (1 - j / past)),
      ...Array.from({ length: future }, (_, j) => last * j / (future - 1))];
    return {
      day: part(0, n), y: part(n, n).map((v) => v / 1000), effect: part(2 * n, n).map((v) => v / 1000), bound: part(3 * n, n),
      fitted: days.map((day, j) => ({ day, mean: all[start + 4 * n + j] / 1000, sd: all[start + 4 * n + points + j] / 1000 })),
      first, last,
    };
  }
}

function shape(name, attributes, text) {
  const element = document.createElementNS("http://www.w3.org/2000/svg", name);
  for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
  if (text !== undefined) element.textContent = text;
  return element;
}

function frameOf(path, end, width, height) {
  const values = [...path.y, ...path.y.map((y, k) => y - path.effect[k]), ...path.fitted.filter((p) => p.day <= 0).map((p) => p.mean)];
  const low = Math.log(end) - 0.16, high = Math.max(...values, Math.log(end) + 0.1) + 0.06;
  const bottom = Math.max(-1.2, Math.min(low, Math.min(...values) - 0.05));
  const left = 46, right = width - 10, top = 12, base = height - 30;
  return { low: bottom, high, left, right, top, base,
    x: (day) => left + (right - left) * (day - path.first) / (path.last - path.first),
    y: (value) => base - (base - top) * (Math.max(bottom, Math.min(high, value)) - bottom) / (high - bottom) };
}

function drawAxes(svg, path, frame, asOf) {
  const ticks = TICKS.filter((t) => Math.log(t) >= frame.low && Math.log(t) <= frame.high);
  let previous = Infinity;
  for (const tick of ticks) {
    const y = frame.y(Math.log(tick));
    if (previous - y < 18 && tick !== 1) continue;
    previous = y;
    svg.append(shape("line", { class: "grid", x1: frame.left, x2: frame.right, y1: y, y2: y }));
    svg.append(shape("text", { x: frame.left - 6, y: y + 4, "text-anchor": "end" }, String(tick)));
  }
  const span = path.last - path.first;
  const months = [1, 3, 6, 12, 24, 60].find((m) => span / (m * 30.4) <= (frame.right - frame.left) / 74) || 120;
  const start = new Date((asOf + path.first) * 86400000);
  for (let month = 0; month < 1200; month += 1) {
    const when = Date.UTC(start.getUTCFullYear(), month, 1), day = when / 86400000 - asOf;
    if (day > path.last) break;
    if (day < path.first || (start.getUTCFullYear() * 12 + month) % months) continue;
    const x = frame.x(day);
    svg.append(shape("line", { class: "grid", x1: x, x2: x, y1: frame.top, y2: frame.base }));
    const text = new Date(when).toISOString().slice(0, months >= 12 ? 4 : 7);
    if (x < frame.right - 16) svg.append(shape("text", { x, y: frame.base + 18, "text-anchor": "middle" }, text));
  }
}

function drawFan(svg, path, frame) {
  const band = (z, name) => {
    const upper = path.fitted.map((p) => `${frame.x(p.day).toFixed(1)},${frame.y(p.mean + z * p.sd).toFixed(1)}`);
    const lower = path.fitted.map((p) => `${frame.x(p.day).toFixed(1)},${frame.y(p.mean - z * p.sd).toFixed(1)}`).reverse();
    svg.append(shape("polygon", { class: name, points: [...upper, ...lower].join(" ") }));
  };
  band(1.6449, "soft");
  band(0.6745, "half");
  const line = (points, name) => svg.append(shape("polyline", { class: name,
    points: points.map((p) => `${frame.x(p.day).toFixed(1)},${frame.y(p.mean).toFixed(1)}`).join(" ") }));
  line(path.fitted.filter((p) => p.day <= 0), "median");
  line(path.fitted.filter((p) => p.day >= 0), "median ahead");
}

function drawReadings(svg, path, frame) {
  path.day.forEach((day, k) => {
    const x = frame.x(day), recorded = frame.y(path.y[k]), corrected = frame.y(path.y[k] - path.effect[k]);
    if (path.bound[k] === 2) {
      svg.append(shape("path", { class: "bound", d: `M${x - 4},${recorded - 4} l8,8 m0,-8 l-8,8` }));
      return;
    }
    if (path.bound[k]) {
      const tip = path.bound[k] > 0 ? -8 : 8;
      svg.append(shape("path", { class: "bound", d: `M${x - 5},${recorded} L${x},${recorded + tip} L${x + 5},${recorded} Z` }));
      return;
    }
    svg.append(shape("line", { class: "effect", x1: x, x2: x, y1: recorded, y2: corrected }));
    svg.append(shape("circle", { class: "recorded", cx: x, cy: recorded, r: 3.4 }));
    svg.append(shape("circle", { class: "corrected", cx: x, cy: corrected, r: 2.8 }));
  });
}

// life: 5 %, 50 %, 95 % quantiles of the remaining life in days, or null. warranty: day from the as-of date, or null.
function drawPath(path, { asOf, end, life, warranty, label, width }) {
  const height = width < 600 ? 300 : 380;
  const svg = shape("svg", { viewBox: `0 0 ${width} ${height}`, role: "img", "aria-label": label });
  const frame = frameOf(path, end, width, height);
  drawAxes(svg, path, frame, asOf);
  drawFan(svg, path, frame);
  const limit = frame.y(Math.log(end)), now = frame.x(0);
  svg.append(shape("line", { class: "limit", x1: frame.left, x2: frame.right, y1: limit, y2: limit }));
  svg.append(shape("text", { x: frame.left + 4, y: limit + 15 }, "below this line: no longer adjustable"));
  svg.append(shape("line", { class: "today", x1: now, x2: now, y1: frame.top, y2: frame.base }));
  const leftward = now > frame.right - 130;
  svg.append(shape("text", { x: now + (leftward ? -5 : 5), y: frame.base - 6, "text-anchor": leftward ? "end" : "start" }, `forecast from ${isoDay(asOf)}`));
  if (warranty !== null && warranty > path.first && warranty < path.last) {
    const x = frame.x(warranty), rightmost = x > frame.right - 110;
    svg.append(shape("line", { class: "warranty", x1: x, x2: x, y1: frame.top, y2: frame.base }));
    svg.append(shape("text", { x: x + (rightmost ? -5 : 5), y: frame.top + 11, "text-anchor": rightmost ? "end" : "start" }, "warranty ends"));
  }
  drawReadings(svg, path, frame);
  if (life) {
    const [low, middle, high] = life.map((day) => frame.x(Math.min(day, path.last)));
    svg.append(shape("line", { class: "life", x1: low, x2: high, y1: limit, y2: limit }));
    if (life[1] <= path.last) svg.append(shape("circle", { class: "recorded", cx: middle, cy: limit, r: 5 }));
  }
  return svg;
}
