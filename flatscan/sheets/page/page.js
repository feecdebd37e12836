"use strict";
(() => {
  const data = JSON.parse(document.getElementById("data").textContent);
  const $ = (id) => document.getElementById(id);
  const canvas = $("wall"), pen = canvas.getContext("2d");
  const MISSING = -32768, OUTSIDE = -32767;
  const W = data.width, H = data.height, inches = data.units === "in";

  // ---- the numbers, in metres
  const unpack = (text) => {
    const raw = atob(text), bytes = new Uint8Array(raw.length);
    for (let i = 0; i < raw.length; i++) bytes[i] = raw.charCodeAt(i);
    const view = new DataView(bytes.buffer), out = new Int16Array(raw.length / 2);
    for (let i = 0; i < out.length; i++) out[i] = view.getInt16(2 * i, true);
    return out;
  };
  const grid = data.grid;
  const stored = grid && unpack(grid.offset), storedGap = grid && grid.gap && unpack(grid.gap);
  const offsetOf = (k) => (stored[k] <= OUTSIDE ? NaN : grid.base + stored[k] * grid.quantum);
  const gapOf = (k) => (storedGap && storedGap[k] > OUTSIDE ? storedGap[k] * grid.gap_quantum : NaN);
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

  // ---- the straightedge: samples one cell apart, bilinear, upper hull; the same as flatscan.sheets.profile
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

  // ---- drawing
  let layer = data.layers[0], tool = "read", ratio = 1, base = null;
  const cross = { x: W / 2, y: H / 2 }, start = data.start || [W / 2, H / 2, 0];
  const edge = { x: start[0], y: start[1], turn: start[2], length: Math.min(data.rule, W) };
  const tape = [{ x: 0.25 * W, y: H / 2 }, { x: 0.75 * W, y: H / 2 }];
  let held = 1, drag = null, touched = false;
  const scale = () => canvas.width / W;
  const px = (x) => x * scale(), py = (y) => canvas.height - y * scale();
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
  const paintBands = (context, w, h, valueAt, bands) => {
    const image = context.createImageData(w, h), pixels = image.data;
    const rgb = bands.map((b) => [1, 3, 5].map((k) => parseInt(b.colour.slice(k, k + 2), 16)));
    for (let y = 0; y < h; y++) {
      for (let x = 0; x < w; x++) {
        const b = valueAt(x, y), k = 4 * (y * w + x);
        let colour = b === -2 ? [255, 255, 255] : [228, 228, 228];
        if (b >= 0) colour = hatched(bands[b], x, y) ? [34, 34, 34] : rgb[b];
        else if (b === -1) {
          const p = Math.round(9 * ratio);
          if ((x + y) % p < 1 || (x - y + 10 * h * p) % p < 1) colour = [34, 34, 34];
        }
        pixels.set(colour, k);
        pixels[k + 3] = 255;
      }
    }
    context.putImageData(image, 0, 0);
  };
  // the band of every cell once, so that painting a pixel is one look-up
  const bandsOfCells = () => {
    const cell = grid ? grid.cell : Math.max(W, H) / 300;
    const part = { cell, x0: grid ? grid.x0 - cell / 2 : 0, y0: grid ? grid.y0 - cell / 2 : 0 };
    part.cols = grid ? grid.cols : Math.ceil(W / cell);
    part.rows = grid ? grid.rows : Math.ceil(H / cell);
    part.band = new Int8Array(part.cols * part.rows);
    for (let j = 0, k = 0; j < part.rows; j++) {
      for (let i = 0; i < part.cols; i++, k++) {
        const here = at(part.x0 + (i + 0.5) * cell, part.y0 + (j + 0.5) * cell);
        part.band[k] = here.outside ? -2 : bandOf(here[layer.name], layer.bands);
      }
    }
    return part;
  };
  const paintBase = () => {
    base = document.createElement("canvas");
    [base.width, base.height] = [canvas.width, canvas.height];
    const s = scale();
    const part = bandsOfCells();
    paintBands(base.getContext("2d"), base.width, base.height, (x, y) => {
      const i = Math.floor(((x + 0.5) / s - part.x0) / part.cell), j = Math.floor(((base.height - y - 0.5) / s - part.y0) / part.cell);
      return i < 0 || j < 0 || i >= part.cols || j >= part.rows ? -2 : part.band[j * part.cols + i];
    }, layer.bands);
    const brush = base.getContext("2d");
    brush.lineWidth = 1.5 * ratio;
    for (const o of data.openings) {
      brush.fillStyle = "#fff";
      brush.fillRect(px(o.left), py(o.bottom + o.height), o.width * s, o.height * s);
      brush.strokeRect(px(o.left), py(o.bottom + o.height), o.width * s, o.height * s);
      brush.fillStyle = "#111";
      brush.font = `${13 * ratio}px sans-serif`;
      brush.textAlign = "center";
      brush.fillText("opening", px(o.left + o.width / 2), py(o.bottom + o.height / 2));
    }
    brush.beginPath();
    data.outline.forEach(([x, y], k) => (k ? brush.lineTo(px(x), py(y)) : brush.moveTo(px(x), py(y))));
    brush.closePath();
    brush.stroke();
    for (const spot of layer.spots) tag(brush, spot.mark, spot.x, spot.y);
  };
  const tag = (brush, text, x, y) => {
    const r = 13 * ratio;
    const cx = Math.min(Math.max(px(x), r), canvas.width - r), cy = Math.min(Math.max(py(y), r), canvas.height - r);
    brush.beginPath();
    if (text[0] === "H") brush.rect(cx - r, cy - r, 2 * r, 2 * r);
    else brush.arc(cx, cy, r, 0, 7);
    brush.fillStyle = "#fff";
    brush.fill();
    brush.lineWidth = 1.5 * ratio;
    brush.stroke();
    brush.fillStyle = "#111";
    brush.font = `bold ${13 * ratio}px sans-serif`;
    brush.textAlign = "center";
    brush.textBaseline = "middle";
    brush.fillText(text, cx, cy);
    brush.textBaseline = "alphabetic";
  };
  const ends = () => {
    const dx = (Math.cos(edge.turn) * edge.length) / 2, dy = (Math.sin(edge.turn) * edge.length) / 2;
    return [{ x: edge.x - dx, y: edge.y - dy }, { x: edge.x + dx, y: edge.y + dy }];
  };
  const line = (a, b, width, colour) => {
    pen.beginPath();
    pen.moveTo(px(a.x), py(a.y));
    pen.lineTo(px(b.x), py(b.y));
    pen.lineWidth = width * ratio;
    pen.strokeStyle = colour;
    pen.stroke();
  };
  const knob = (p, r) => {
    pen.beginPath();
    pen.arc(px(p.x), py(p.y), r * ratio, 0, 7);
    pen.fillStyle = "#fff";
    pen.fill();
    pen.lineWidth = 2.5 * ratio;
    pen.strokeStyle = "#111";
    pen.stroke();
  };
  const paint = () => {
    if (!base) paintBase();
    pen.drawImage(base, 0, 0);
    if (tool === "read" && touched) {
      line({ x: 0, y: cross.y }, { x: W, y: cross.y }, 1, "#111");
      line({ x: cross.x, y: 0 }, { x: cross.x, y: H }, 1, "#111");
      knob(cross, 6);
    } else if (tool === "edge") {
      const [a, b] = ends();
      line(a, b, 7, "#fff");
      line(a, b, 4, "#111");
      knob(a, 8);
      knob(b, 8);
    } else if (tool === "measure") {
      line(tape[0], tape[1], 4, "#fff");
      line(tape[0], tape[1], 2, "#111");
      tape.forEach((p, k) => knob(p, k === held ? 9 : 6));
    }
    say();
  };

  // ---- what is read
  const say = () => {
    const out = $("reading");
    $("section").hidden = tool !== "edge";
    $("length-field").hidden = tool !== "edge";
    if (tool === "read") {
      if (!touched) return;
      const here = at(cross.x, cross.y), told = [];
      if (Number.isFinite(here["build-up"])) told.push(`build-up ${fine(here["build-up"])}`);
      if (Number.isFinite(here.gaps)) told.push(`deepest gap ${fine(here.gaps)}`);
      if (Number.isFinite(here.relief)) told.push(`${fine(Math.abs(here.relief))} ${here.relief < 0 ? "hollow" : "proud"} of the best-fit plane`);
      const what = told.join(", ") || (here.outside ? "opening, or off the wall" : "not measured");
      const where = grid ? [cross.x, cross.y] : [here.x, here.y];
      out.textContent = `${grid ? "" : "station "}${long(where[0])} from the left, ${long(where[1])} up: ${what}`;
    } else if (tool === "edge") {
      const [a, b] = ends(), found = lay(a.x, a.y, b.x, b.y);
      section(found);
      out.textContent = found.gap === null
        ? `straightedge ${long(edge.length)}: it spans an opening, the wall's edge or a place that was not measured`
        : `gap ${fine(found.gap)} under ${long(edge.length)}, ${long(found.at)} along it; rests at ${long(found.left)} and ${long(found.right)}`;
    } else {
      const dx = tape[1].x - tape[0].x, dy = tape[1].y - tape[0].y;
      out.textContent = `${long(Math.hypot(dx, dy))} apart: ${long(Math.abs(dx))} across, ${long(Math.abs(dy))} up`;
    }
  };
  const section = (found) => {
    const sheet = $("section"), box = sheet.getBoundingClientRect();
    [sheet.width, sheet.height] = [Math.max(1, Math.round(box.width * ratio)), Math.max(1, Math.round(box.height * ratio))];
    const brush = sheet.getContext("2d"), z = found.z.filter(Number.isFinite);
    brush.fillStyle = "#fff";
    brush.fillRect(0, 0, sheet.width, sheet.height);
    if (z.length < 2) return;
    const top = found.gap === null ? [] : [found.edge(0), found.edge(edge.length)];
    const low = Math.min(...z), high = Math.max(...z, ...top), room = Math.max(high - low, 0.002);
    const X = (s) => (s / edge.length) * sheet.width, Y = (v) => sheet.height * (0.9 - (0.75 * (v - low)) / room);
    brush.beginPath();
    let on = false;
    found.s.forEach((s, k) => {
      if (!Number.isFinite(found.z[k])) { on = false; return; }
      if (on) brush.lineTo(X(s), Y(found.z[k])); else brush.moveTo(X(s), Y(found.z[k]));
      on = true;
    });
    brush.lineWidth = 1.5 * ratio;
    brush.stroke();
    if (found.gap === null) return;
    brush.lineWidth = 4 * ratio;
    brush.beginPath();
    brush.moveTo(0, Y(found.edge(0)));
    brush.lineTo(sheet.width, Y(found.edge(edge.length)));
    brush.stroke();
    brush.lineWidth = 2 * ratio;
    brush.setLineDash([5 * ratio, 3 * ratio]);
    brush.beginPath();
    brush.moveTo(X(found.at), Y(found.edge(found.at)));
    brush.lineTo(X(found.at), Y(found.edge(found.at) - found.gap));
    brush.stroke();
    brush.setLineDash([]);
  };

  // ---- fingers, mouse and keys
  const clamp = (v, top) => Math.min(Math.max(v, 0), top);
  const where = (event) => {
    const box = canvas.getBoundingClientRect();
    return { x: clamp(((event.clientX - box.left) / box.width) * W, W), y: clamp(((box.bottom - event.clientY) / box.height) * H, H) };
  };
  const close = (a, b) => Math.hypot(a.x - b.x, a.y - b.y) * scale() < 30 * ratio;
  canvas.addEventListener("pointerdown", (event) => {
    canvas.setPointerCapture(event.pointerId);
    const p = where(event);
    drag = { from: p };
    if (tool === "edge") {
      const [a, b] = ends();
      drag.end = close(p, a) ? 0 : close(p, b) ? 1 : -1;
      if (drag.end < 0) { edge.x = p.x; edge.y = p.y; }
    } else if (tool === "measure") {
      held = Math.hypot(p.x - tape[0].x, p.y - tape[0].y) < Math.hypot(p.x - tape[1].x, p.y - tape[1].y) ? 0 : 1;
    }
    move(p);
  });
  const move = (p) => {
    touched = true;
    if (tool === "read") Object.assign(cross, p);
    else if (tool === "measure") tape[held] = p;
    else if (drag && drag.end >= 0) {
      const fixed = ends()[1 - drag.end], away = Math.atan2(p.y - fixed.y, p.x - fixed.x);
      edge.turn = drag.end === 1 ? away : away + Math.PI;
      const side = drag.end === 1 ? 0.5 : -0.5;
      edge.x = fixed.x + side * edge.length * Math.cos(edge.turn);
      edge.y = fixed.y + side * edge.length * Math.sin(edge.turn);
    } else { edge.x = p.x; edge.y = p.y; }
    paint();
  };
  canvas.addEventListener("pointermove", (event) => { if (drag) move(where(event)); });
  for (const name of ["pointerup", "pointercancel"]) canvas.addEventListener(name, () => { drag = null; });
  const step = (name, far) => {
    touched = true;
    const by = far ? 0.1 : 0.01, dx = { left: -by, right: by }[name] || 0, dy = { up: by, down: -by }[name] || 0;
    const it = tool === "read" ? cross : tool === "edge" ? edge : tape[held];
    it.x = clamp(it.x + dx, W);
    it.y = clamp(it.y + dy, H);
    if (tool === "edge" && (name === "back" || name === "on")) edge.turn += (name === "back" ? 1 : -1) * (far ? Math.PI / 4 : Math.PI / 36);
    paint();
  };
  const KEYS = { ArrowLeft: "left", ArrowRight: "right", ArrowUp: "up", ArrowDown: "down", ",": "back", ".": "on", "<": "back", ">": "on" };
  canvas.addEventListener("keydown", (event) => {
    if (event.key === "Enter" && tool === "measure") { held = 1 - held; paint(); }
    else if (KEYS[event.key]) step(KEYS[event.key], event.shiftKey);
    else return;
    event.preventDefault();
  });
  document.querySelectorAll("[data-move]").forEach((b) => b.addEventListener("click", (event) => step(b.dataset.move, event.shiftKey)));
  document.querySelectorAll("[data-x]").forEach((b) => b.addEventListener("click", () => {
    choose("tool", "read");
    Object.assign(cross, { x: b.dataset.x / 1000, y: b.dataset.y / 1000 });
    touched = true;
    paint();
  }));
  const choose = (name, value) => {
    document.querySelector(`input[name="${name}"][value="${value}"]`).checked = true;
    if (name === "tool") tool = value;
  };
  document.querySelectorAll('input[name="layer"]').forEach((i) => i.addEventListener("change", () => {
    layer = data.layers.find((l) => l.name === i.value);
    base = null;
    legend();
    paint();
  }));
  document.querySelectorAll('input[name="tool"]').forEach((i) => i.addEventListener("change", () => { tool = i.value; paint(); }));
  $("length").addEventListener("change", (event) => {
    const mm = Number(event.target.value);
    if (mm >= 100 && mm <= 6000) edge.length = mm / 1000;
    event.target.value = Math.round(edge.length * 1000);
    paint();
  });
  const legend = () => {
    $("key").replaceChildren(...[...layer.bands].reverse().map((band) => {
      const item = document.createElement("li"), tone = document.createElement("canvas");
      [tone.width, tone.height] = [Math.round(38 * ratio), Math.round(24 * ratio)];
      tone.setAttribute("aria-hidden", "true");
      paintBands(tone.getContext("2d"), tone.width, tone.height, () => 0, [band]);
      item.append(tone, band.words);
      return item;
    }));
  };
  const fit = () => {
    ratio = Math.min(window.devicePixelRatio || 1, 2);
    const width = Math.max(1, Math.min(Math.round(canvas.clientWidth * ratio), 1600));
    if (canvas.width === width && base) return;
    [canvas.width, canvas.height] = [width, Math.max(1, Math.round((width * H) / W))];
    base = null;
    paint();
  };
  window.addEventListener("resize", fit);
  $("length").value = Math.round(edge.length * 1000);
  // the first straightedge is slid along itself until it lies on measured wall, where there is room for it
  const [x, y, cos, sin] = [edge.x, edge.y, Math.cos(edge.turn), Math.sin(edge.turn)];
  for (let k = 0; grid && k < 2 * edge.length / 0.02; k++) {
    const by = (k % 2 ? 1 : -1) * Math.ceil(k / 2) * 0.02;
    [edge.x, edge.y] = [x + by * cos, y + by * sin];
    const [a, b] = ends();
    if (lay(a.x, a.y, b.x, b.y).gap !== null) break;
  }
  window.flatscan = Object.freeze({ at, lay: (...p) => { const { gap, at: place, left, right } = lay(...p); return { gap, at: place, left, right }; } });
  fit();
  legend();
})();
