// The numbers of the page: the wall's grid, what a point reads, how a straightedge rests, lengths in words.
const data = JSON.parse(document.getElementById("data").textContent);
const $ = (id) => document.getElementById(id);
const canvas = $("wall"), pen = canvas.getContext("2d");
const MISSING = -2147483648, OUTSIDE = -2147483647;
const W = data.width, H = data.height, inches = data.units === "in";

// ---- the numbers, in metres: steps from cell to cell as `packed` in report/page/packing.py has them
const unpack = (text, count) => {
  const raw = atob(text), out = new Int32Array(count);
  let last = 0;
  for (let i = 0, k = 0; k < count; k++) {
    let code = 0, scale = 1, byte = 128;
    for (; byte > 127; scale *= 128) {
      byte = raw.charCodeAt(i++);
      code += (byte % 128) * scale;
    }
    if (code < 2) { out[k] = code ? OUTSIDE : MISSING; continue; }
    last += code % 2 ? -(code - 1) / 2 : (code - 2) / 2;
    out[k] = last;
  }
  return out;
};
const grid = data.grid, cells = grid ? grid.rows * grid.cols : 0;
const stored = grid && unpack(grid.offset, cells), storedGap = grid && grid.gap && unpack(grid.gap, cells);
const offsetOf = (k) => (stored[k] <= OUTSIDE ? NaN : grid.base + stored[k] * grid.quantum);
const gapOf = (k) => (storedGap && storedGap[k] > OUTSIDE ? storedGap[k] * grid.quantum : NaN);
const plane = (p, x, y) => p[0] + p[1] * x + p[2] * y;
const lean = data.finish && Math.sqrt(1 + data.finish[1] ** 2 + data.finish[2] ** 2);
const cellAt = (x, y) => {
  const i = Math.floor((x - grid.x0) / grid.cell + 0.5), j = Math.floor((y - grid.y0) / grid.cell + 0.5);
  return i < 0 || j < 0 || i >= grid.cols || j >= grid.rows ? -1 : j * grid.cols + i;
};
const nearest = (x, y) => data.stations.reduce((best, s) =>
  (Math.hypot(s.x - x, s.y - y) < Math.hypot(best.x - x, best.y - y) ? s : best));
const at = (x, y) => {
  let z, gap = NaN, px = x, py = y, outside = false;
  if (grid) {
    const k = cellAt(x, y);
    outside = k < 0 || stored[k] === OUTSIDE;
    z = k < 0 ? NaN : offsetOf(k);
    if (k >= 0) {
      gap = gapOf(k);
      px = grid.x0 + (k % grid.cols) * grid.cell;
      py = grid.y0 + Math.floor(k / grid.cols) * grid.cell;
    }
  } else {
    const s = nearest(x, y);
    [z, px, py] = [s.z, s.x, s.y];
  }
  return { x: px, y: py, outside, relief: z - plane(data.fit, px, py), gaps: gap,
    "build-up": data.finish ? (plane(data.finish, px, py) - z) / lean : NaN };
};

// ---- the straightedge: samples one cell apart, bilinear, upper hull; the same as `rest` in report/figures/maps.py
const SLACK = 1e-9, BRIDGE = 0.1;
const bilinear = (x, y) => {
  let c = (x - grid.x0) / grid.cell, r = (y - grid.y0) / grid.cell;
  if (c < -0.5 - SLACK || c > grid.cols - 0.5 + SLACK || r < -0.5 - SLACK || r > grid.rows - 0.5 + SLACK) return NaN;
  c = Math.min(Math.max(c, 0), grid.cols - 1);
  r = Math.min(Math.max(r, 0), grid.rows - 1);
  const i = Math.floor(c + SLACK), j = Math.floor(r + SLACK);
  const u = Math.min(Math.max(c - i, 0), 1), v = Math.min(Math.max(r - j, 0), 1);
  let total = 0;
  for (const [dj, di, w] of [[0, 0, (1 - v) * (1 - u)], [0, 1, (1 - v) * u], [1, 0, v * (1 - u)], [1, 1, v * u]]) {
    if (w > SLACK) {
      total += w * offsetOf(Math.min(j + dj, grid.rows - 1) * grid.cols + Math.min(i + di, grid.cols - 1));
    }
  }
  return total;
};
const lay = (x0, y0, x1, y1) => {
  // between stations nothing is known, and means over blocks hide what a straightedge rests on
  if (!grid || !grid.whole) return { s: [], z: [], gap: null };
  const length = Math.hypot(x1 - x0, y1 - y0), n = Math.floor(length / grid.cell + SLACK) + 1;
  const s = [], z = [], known = [];
  for (let k = 0; k < n; k++) {
    const t = length > 0 ? (k * grid.cell) / length : 0;
    s.push(k * grid.cell);
    z.push(bilinear(x0 + t * (x1 - x0), y0 + t * (y1 - y0)));
    if (Number.isFinite(z[k])) known.push(k);
  }
  const none = { s, z, gap: null };
  if (known.length < 2) return none;
  let hole = Math.max(known[0], n - 1 - known[known.length - 1]);
  for (let k = 1; k < known.length; k++) hole = Math.max(hole, known[k] - known[k - 1] - 1);
  if (hole * grid.cell > BRIDGE + SLACK) return none;
  const hull = [];
  for (const k of known) {
    while (hull.length > 1) {
      const a = hull[hull.length - 2], b = hull[hull.length - 1];
      if ((z[b] - z[a]) * (s[k] - s[a]) > (z[k] - z[a]) * (s[b] - s[a])) break;
      hull.pop();
    }
    hull.push(k);
  }
  let best = { s, z, gap: 0, at: s[known[0]], left: s[hull[0]], right: s[hull[1]] }, h = 0;
  for (const k of known) {
    while (h < hull.length - 2 && k >= hull[h + 1]) h++;
    const a = hull[h], b = hull[h + 1];
    const gap = z[a] + ((z[b] - z[a]) * (s[k] - s[a])) / (s[b] - s[a]) - z[k];
    if (gap > best.gap) best = { s, z, gap, at: s[k], left: s[a], right: s[b] };
  }
  best.edge = (q) => {
    const a = s.indexOf(best.left), b = s.indexOf(best.right);
    return z[a] + ((z[b] - z[a]) * (q - best.left)) / (best.right - best.left);
  };
  return best;
};

// ---- lengths in words
const gcd = (a, b) => (b ? gcd(b, a % b) : a);
const feet = (m) => {
  let ticks = Math.round((Math.abs(m) / 0.0254) * 16);
  const sign = m < 0 && ticks ? "-" : "", f = Math.floor(ticks / 192);
  ticks -= f * 192;
  const inch = Math.floor(ticks / 16), part = ticks % 16, g = gcd(part, 16);
  const words = [inch || !part ? String(inch) : "", part ? `${part / g}/${16 / g}` : ""].filter(Boolean).join(" ");
  return f ? `${sign}${f} ft ${words} in` : `${sign}${words} in`;
};
const long = (m) => (inches ? feet(m) : `${Math.round(m * 1000)} mm`);
const fine = (m) => (inches ? feet(m) : `${(m * 1000).toFixed(1)} mm`);
