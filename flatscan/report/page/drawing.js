// What the page shows: bands, openings, marks, the straightedge and its section, and the reading in words.
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
    brush.setLineDash(o.given ? [8 * ratio, 4 * ratio] : []);
    brush.strokeRect(px(o.left), py(o.bottom + o.height), o.width * s, o.height * s);
    brush.setLineDash([]);
    brush.fillStyle = "#111";
    brush.font = `${13 * ratio}px sans-serif`;
    brush.textAlign = "center";
    brush.fillText(o.word, px(o.left + o.width / 2), py(o.bottom + o.height / 2));
  }
  for (const o of data.objects) {
    brush.setLineDash(o.wall ? [5 * ratio, 4 * ratio] : []);
    brush.strokeRect(px(o.left), py(o.bottom + o.height), o.width * s, o.height * s);
    brush.setLineDash([]);
    brush.fillStyle = "#111";
    brush.font = `${12 * ratio}px sans-serif`;
    brush.textAlign = "left";
    brush.fillText(o.mark, px(o.left) + 3 * ratio, py(o.bottom + o.height) + 13 * ratio);
  }
  brush.beginPath();
  data.outline.forEach(([x, y], k) => (k ? brush.lineTo(px(x), py(y)) : brush.moveTo(px(x), py(y))));
  brush.closePath();
  brush.setLineDash(data.region ? [10 * ratio, 3 * ratio, 2 * ratio, 3 * ratio] : []);
  brush.stroke();
  brush.setLineDash([]);
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
    if (Number.isFinite(here.relief)) told.push(`${fine(Math.abs(here.relief))} ${here.relief < 0 ? "hollow" : "proud"} of the wall's own plane`);
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
