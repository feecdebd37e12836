// The bands, as smooth as on the sheets: values through means over about 60 mm, painted at every pixel of the view.
const DRAWN_OVER = 0.06;
const bandOf = (v, bands) => {
  if (!Number.isFinite(v)) return -1;
  for (let b = 0; b < bands.length - 1; b++) if (v + 1e-7 < bands[b].high) return b;
  return bands.length - 1;
};
const hatched = (band, x, y) => {
  if (!band.kind) return false;
  const period = Math.round((11 - 2 * band.density) * ratio), thick = Math.max(1, Math.round(ratio));
  if (band.kind === "lines") return (x + y) % period < thick;
  const row = Math.floor(y / period), shift = row % 2 ? Math.floor(period / 2) : 0;
  return (x + shift) % period < 2 * thick && y % period < 2 * thick;
};
const INK = 34, GREY = 228;
const tonesOf = (bands) => bands.map((b) => [1, 3, 5].map((k) => parseInt(b.colour.slice(k, k + 2), 16)));
// what the layer shows of every cell, NaN where nothing was measured
const valuesOf = (name) => Float32Array.from({ length: cells }, (_, k) => {
  const x = grid.x0 + (k % grid.cols) * grid.cell, y = grid.y0 + Math.floor(k / grid.cols) * grid.cell, z = offsetOf(k);
  if (name === "gaps") return gapOf(k);
  return name === "relief" ? z - plane(data.fit, x, y) : (plane(data.finish, x, y) - z) / lean;
});
// one pass of a Gaussian along rows (step 1) or columns, its ends held: `gaussian_filter`, mode "nearest", of scipy
const passed = (from, weights, along, across, step, stride) => {
  const to = new Float32Array(from.length), reach = (weights.length - 1) / 2;
  for (let a = 0; a < across; a++) {
    for (let i = 0; i < along; i++) {
      let sum = 0;
      for (let w = -reach; w <= reach; w++) sum += weights[w + reach] * from[a * stride + Math.min(Math.max(i + w, 0), along - 1) * step];
      to[a * stride + i * step] = sum;
    }
  }
  return to;
};
// means over about 60 mm of what was measured: `smoothed` in report/drawings.py
const smoothed = (values) => {
  const sigma = DRAWN_OVER / 2.355 / grid.cell, reach = Math.floor(4 * sigma + 0.5);
  const weights = Array.from({ length: 2 * reach + 1 }, (_, k) => Math.exp(-0.5 * ((k - reach) / sigma) ** 2));
  const total = weights.reduce((a, b) => a + b, 0), share = weights.map((w) => w / total);
  const both = (map) => passed(passed(map, share, grid.rows, grid.cols, grid.cols, 1), share, grid.cols, grid.rows, 1, grid.cols);
  const sum = both(values.map((v) => (Number.isFinite(v) ? v : 0))), weight = both(values.map((v) => (Number.isFinite(v) ? 1 : 0)));
  return values.map((v, k) => (Number.isFinite(v) ? sum[k] / weight[k] : NaN));
};
// values run on by two cells under what was not measured, so that a band's edge does not end before it
const runOn = (values) => {
  for (let ring = 0; ring < 2; ring++) {
    const found = [];
    for (let k = 0; k < cells; k++) {
      if (Number.isFinite(values[k])) continue;
      const i = k % grid.cols, j = (k - i) / grid.cols;
      let sum = 0, count = 0;
      for (let dj = -1; dj < 2; dj++) {
        for (let di = -1; di < 2; di++) {
          if (i + di < 0 || i + di >= grid.cols || j + dj < 0 || j + dj >= grid.rows) continue;
          const v = values[k + dj * grid.cols + di];
          if (Number.isFinite(v)) { sum += v; count++; }
        }
      }
      if (count) found.push([k, sum / count]);
    }
    for (const [k, v] of found) values[k] = v;
  }
  return values.map((v) => (Number.isFinite(v) ? v : 0));
};
const maps = {};
const mapOf = (name) => {
  if (!maps[name]) {
    const drawn = smoothed(valuesOf(name));
    maps[name] = { known: drawn.map((v) => (Number.isFinite(v) ? 1 : 0)), values: runOn(drawn) };
  }
  return maps[name];
};
const within = grid && Float32Array.from(stored, (v) => (v === OUTSIDE ? 0 : 1));
// where a place lies between cells: the lower one, and how far on to the next
const between = (at, first, count) => {
  const c = Math.min(Math.max((at - first) / grid.cell, 0), count - 1), low = Math.min(Math.floor(c), Math.max(count - 2, 0));
  return [low, c - low];
};
const mixed = (map, k, right, up, u, v) => (1 - v) * ((1 - u) * map[k] + u * map[k + right]) + v * ((1 - u) * map[k + up] + u * map[k + up + right]);
// how dark a contour line is that runs so many values, at such a slope to a pixel, beside this one
const onLine = (v, b, bands, slope) => {
  const off = Math.min(b ? Math.abs(v - bands[b - 1].high) : Infinity, b < bands.length - 1 ? Math.abs(bands[b].high - v) : Infinity);
  return slope > 1e-9 ? Math.min(Math.max(0.5 * ratio + 0.5 - off / slope, 0), 1) : 0;
};
const put = (pixels, k, colour) => { [pixels[k], pixels[k + 1], pixels[k + 2]] = colour; pixels[k + 3] = 255; };
const crossed = (x, y) => {
  const p = Math.round(9 * ratio);
  return (x + y) % p < 1 || (x - y + 100000 * p) % p < 1 ? [INK, INK, INK] : [GREY, GREY, GREY];
};
const toned = (bands, tones, b, x, y, dark) => {
  const tone = hatched(bands[b], x, y) ? [INK, INK, INK] : tones[b];
  return dark ? tone.map((c) => c + 0.75 * dark * (INK - c)) : tone;
};
// where the first pixel lies on the hatch, so that the hatch moves with the wall
const phase = (offset) => ((Math.round(offset) % 9240) + 9240) % 9240;
const paintGrid = (image, w, h, view, { name, bands }) => {
  const { values, known } = mapOf(name), tones = tonesOf(bands), pixels = image.data;
  const across = Array.from({ length: w }, (_, x) => between(view.x + (x + 0.5) / view.k, grid.x0, grid.cols));
  const right = grid.cols > 1 ? 1 : 0, up = grid.rows > 1 ? grid.cols : 0;
  const below = new Float32Array(w), sx = phase(view.x * view.k), sy = phase(-view.y * view.k);
  for (let y = h - 1; y >= 0; y--) {
    const [j, v] = between(view.y + (h - y - 0.5) / view.k, grid.y0, grid.rows);
    for (let x = 0, before = 0; x < w; x++) {
      const [i, u] = across[x], k = j * grid.cols + i;
      const here = mixed(values, k, right, up, u, v), b = bandOf(here, bands), at = 4 * (y * w + x);
      if (mixed(within, k, right, up, u, v) < 0.5) put(pixels, at, [255, 255, 255]);
      else if (mixed(known, k, right, up, u, v) < 0.5) put(pixels, at, crossed(x + sx, y + sy));
      else put(pixels, at, toned(bands, tones, b, x + sx, y + sy, x && y < h - 1 ? onLine(here, b, bands, Math.hypot(here - before, here - below[x])) : 0));
      before = below[x] = here;
    }
  }
};
// each station's own part of the wall; of all stations only those that can be the nearest in a square are asked
const SQUARE = 16;
const paintStations = (image, w, h, view, { name, bands }) => {
  const pixels = image.data, tones = tonesOf(bands), sx = phase(view.x * view.k), sy = phase(-view.y * view.k);
  const stations = data.stations.map((s) => ({ x: (s.x - view.x) * view.k, y: h - (s.y - view.y) * view.k, b: bandOf(at(s.x, s.y)[name], bands) }));
  for (let top = 0; top < h; top += SQUARE) {
    for (let left = 0; left < w; left += SQUARE) {
      const away = stations.map((s) => Math.hypot(s.x - left - SQUARE / 2, s.y - top - SQUARE / 2)), least = Math.min(...away);
      const near = stations.filter((_, k) => away[k] <= least + 1.5 * SQUARE);
      for (let y = top; y < Math.min(top + SQUARE, h); y++) {
        for (let x = left; x < Math.min(left + SQUARE, w); x++) {
          let best = null, far = Infinity;
          for (const s of near) {
            const d = (s.x - x) ** 2 + (s.y - y) ** 2;
            if (d < far) [best, far] = [s, d];
          }
          put(pixels, 4 * (y * w + x), best && best.b >= 0 ? toned(bands, tones, best.b, x + sx, y + sy, 0) : crossed(x + sx, y + sy));
        }
      }
    }
  }
};
const paintBands = (context, w, h, view, shown) => {
  const image = context.createImageData(w, h);
  (grid ? paintGrid : paintStations)(image, w, h, view, shown);
  context.putImageData(image, 0, 0);
};
// a piece of one band, for the key
const paintTone = (context, w, h, band) => {
  const image = context.createImageData(w, h), tones = tonesOf([band]);
  for (let y = 0; y < h; y++) for (let x = 0; x < w; x++) put(image.data, 4 * (y * w + x), toned([band], tones, 0, x, y, 0));
  context.putImageData(image, 0, 0);
};
