// What the page shows: the view, bands, openings, marks, the straightedge and its section, and the reading in words.
let layer = data.layers[0], tool = "read", ratio = 1, base = null;
const cross = { x: W / 2, y: H / 2 }, start = data.start || [W / 2, H / 2, 0];
const edge = { x: start[0], y: start[1], turn: start[2], length: Math.min(data.rule, W) };
const tape = [{ x: 0.25 * W, y: H / 2 }, { x: 0.75 * W, y: H / 2 }];
// a rectangle that somebody draws, where the page asks for one
let box = null, held = 1, drag = null, touched = false;

// ---- the view: pixels to a metre, and the place at the left and lower edge of the drawing
const view = { k: 1, x: 0, y: 0 }, CLOSEST = 16;
const whole = (w, h) => {
  const k = Math.min(w / W, h / H);
  return { k, x: W / 2 - w / (2 * k), y: H / 2 - h / (2 * k) };
};
const px = (x) => (x - view.x) * view.k, py = (y) => canvas.height - (y - view.y) * view.k;
// the view kept on the wall: as near as the whole of it, or any nearer, and never beyond its edges
const look = (k, x, y) => {
  const least = whole(canvas.width, canvas.height).k;
  view.k = Math.min(Math.max(k, least), CLOSEST * least);
  const wide = canvas.width / view.k, high = canvas.height / view.k;
  view.x = wide >= W ? (W - wide) / 2 : Math.min(Math.max(x, 0), W - wide);
  view.y = high >= H ? (H - high) / 2 : Math.min(Math.max(y, 0), H - high);
  base = null;
};
const isWhole = () => view.k <= whole(canvas.width, canvas.height).k * 1.001;
// nearer or further by a factor, with one place of the wall kept where it is
const zoom = (by, to) => {
  const before = { ...view }, k = Math.min(Math.max(view.k * by, whole(canvas.width, canvas.height).k), CLOSEST * whole(canvas.width, canvas.height).k);
  look(k, to.x - ((to.x - before.x) * before.k) / k, to.y - ((to.y - before.y) * before.k) / k);
  paint();
  return view.k !== before.k || view.x !== before.x || view.y !== before.y;
};
const showPlace = (p) => {
  if (isWhole()) return;
  look(view.k, p.x - canvas.width / view.k / 2, p.y - canvas.height / view.k / 2);
};

// ---- what does not move under the finger
const rectangle = (brush, o) => brush.strokeRect(px(o.left), py(o.bottom + o.height), o.width * view.k, o.height * view.k);
const paintHoles = (brush) => {
  for (const o of data.openings) {
    brush.fillStyle = "#fff";
    brush.fillRect(px(o.left), py(o.bottom + o.height), o.width * view.k, o.height * view.k);
    brush.setLineDash(o.given ? [8 * ratio, 4 * ratio] : []);
    rectangle(brush, o);
    brush.setLineDash([]);
    brush.fillStyle = "#111";
    brush.font = `${13 * ratio}px sans-serif`;
    brush.textAlign = "center";
    if (brush.measureText(o.word).width < o.width * view.k) brush.fillText(o.word, px(o.left + o.width / 2), py(o.bottom + o.height / 2));
  }
  for (const o of data.objects) {
    brush.setLineDash(o.wall ? [5 * ratio, 4 * ratio] : []);
    rectangle(brush, o);
    brush.setLineDash([]);
    brush.fillStyle = "#111";
    brush.font = `${12 * ratio}px sans-serif`;
    brush.textAlign = "left";
    brush.fillText(o.mark, px(o.left) + 3 * ratio, py(o.bottom + o.height) + 13 * ratio);
  }
};
const outlined = (brush) => {
  data.outline.forEach(([x, y], k) => (k ? brush.lineTo(px(x), py(y)) : brush.moveTo(px(x), py(y))));
  brush.closePath();
};
const paintOutline = (brush) => {
  brush.beginPath();
  brush.rect(0, 0, canvas.width, canvas.height);
  outlined(brush);
  brush.fillStyle = "#fff";
  brush.fill("evenodd");
  brush.beginPath();
  outlined(brush);
  brush.setLineDash(data.region ? [10 * ratio, 3 * ratio, 2 * ratio, 3 * ratio] : []);
  brush.stroke();
  brush.setLineDash([]);
};
// marks and figures keep off each other: one that finds no place beside its spot is left out, as the list has it
let taken = [];
const free = (x, y, w, h) => x > w / 2 && y > h / 2 && x < canvas.width - w / 2 && y < canvas.height - h / 2
  && taken.every((t) => Math.abs(t.x - x) >= (t.w + w) / 2 || Math.abs(t.y - y) >= (t.h + h) / 2);
const AROUND = [[0, 0], [1, 0], [-1, 0], [0, -1], [0, 1], [1, -1], [-1, -1], [1, 1], [-1, 1]];
const placeFor = (cx, cy, w, h, off, first) => {
  for (const far of [1, 2, 3]) {
    for (const [dx, dy] of AROUND.slice(first)) {
      const [x, y] = [cx + dx * (w / 2 + far * off), cy + dy * (h / 2 + far * off)];
      if (!free(x, y, w, h)) continue;
      taken.push({ x, y, w, h });
      return [x, y];
    }
  }
  return null;
};
// where each spot's mark stands; null for one that is out of view or finds no place
const marked = (spot) => {
  const r = 13 * ratio, cx = px(spot.x), cy = py(spot.y);
  if (cx < 0 || cy < 0 || cx > canvas.width || cy > canvas.height) return null;
  const inside = (v, most) => Math.min(Math.max(v, r + 1), most - r - 1);
  const found = placeFor(inside(cx, canvas.width), inside(cy, canvas.height), 2 * r, 2 * r, r, 0);
  return found && { mark: spot.mark, r, cx, cy, x: found[0], y: found[1] };
};
const leader = (brush, { r, cx, cy, x, y }) => {
  if (Math.hypot(x - cx, y - cy) <= r) return;
  brush.beginPath();
  brush.moveTo(cx, cy);
  brush.lineTo(x, y);
  brush.stroke();
};
const tag = (brush, { mark, r, x, y }) => {
  brush.beginPath();
  if (mark[0] === "H") brush.rect(x - r, y - r, 2 * r, 2 * r);
  else brush.arc(x, y, r, 0, 7);
  brush.fillStyle = "#fff";
  brush.fill();
  brush.stroke();
  brush.fillStyle = "#111";
  brush.font = `bold ${13 * ratio}px sans-serif`;
  brush.textAlign = "center";
  brush.textBaseline = "middle";
  brush.fillText(mark, x, y);
  brush.textBaseline = "alphabetic";
};
const paintTags = (brush) => {
  const tags = layer.spots.map(marked).filter(Boolean);
  brush.lineWidth = 1.5 * ratio;
  brush.strokeStyle = "#111";
  // a line to a mark never crosses another mark
  for (const one of tags) leader(brush, one);
  for (const one of tags) tag(brush, one);
};
// words with a white rim, beside a place
const written = (brush, text, x, y, size) => {
  if (!text) return;
  brush.font = `bold ${size * ratio}px sans-serif`;
  const w = brush.measureText(text).width + 6 * ratio, h = (size + 3) * ratio, found = placeFor(x, y, w, h, 8 * ratio, 1);
  if (!found) return;
  brush.textAlign = "center";
  brush.textBaseline = "middle";
  brush.lineWidth = 3 * ratio;
  brush.strokeStyle = "#fff";
  brush.strokeText(text, ...found);
  brush.fillStyle = "#111";
  brush.fillText(text, ...found);
  brush.textBaseline = "alphabetic";
  brush.strokeStyle = "#111";
};
// dots to be set, and then their packings, or what stations read
const paintDots = (brush) => {
  for (const dot of data.dots) {
    const r = (dot.start ? 8 : 5) * ratio, [x, y] = [px(dot.x), py(dot.y)];
    brush.beginPath();
    brush.arc(x, y, r, 0, 7);
    brush.fillStyle = "#fff";
    brush.fill();
    brush.lineWidth = (dot.start ? 3.5 : 1.5) * ratio;
    brush.stroke();
    taken.push({ x, y, w: 2 * r, h: 2 * r });
  }
};
const paintFigures = (brush) => {
  for (const dot of data.dots) written(brush, dot.text, px(dot.x), py(dot.y), 13);
  for (const s of grid ? [] : data.stations) {
    const r = 3 * ratio, [x, y] = [px(s.x), py(s.y)], v = at(s.x, s.y)[layer.name];
    brush.lineWidth = ratio;
    brush.beginPath();
    brush.moveTo(x - r, y);
    brush.lineTo(x + r, y);
    brush.moveTo(x, y - r);
    brush.lineTo(x, y + r);
    brush.stroke();
    if (Number.isFinite(v)) written(brush, inches ? feet(v) : (v * 1000).toFixed(1), x, y, 12);
  }
};
const paintWorst = (brush) => {
  if (!data.worst) return;
  const [a, b] = data.worst.ends.map(([x, y]) => [px(x), py(y)]);
  for (const [width, colour] of [[5, "#fff"], [2.5, "#111"]]) {
    brush.beginPath();
    brush.moveTo(...a);
    brush.lineTo(...b);
    brush.lineWidth = width * ratio;
    brush.strokeStyle = colour;
    brush.stroke();
  }
};
// the wall's own photo darkens the tones a little, so that both are read at once
let photo = null;
if (data.photo) {
  // bytes and no address: the page loads nothing from anywhere
  const bytes = Uint8Array.from(atob(data.photo.jpeg), (letter) => letter.charCodeAt(0));
  createImageBitmap(new Blob([bytes], { type: "image/jpeg" })).then((made) => {
    photo = made;
    base = null;
    paint();
  });
}
const paintPhoto = (brush) => {
  if (!photo) return;
  const p = data.photo;
  brush.globalCompositeOperation = "multiply";
  brush.drawImage(photo, px(p.left), py(p.bottom + p.height), p.width * view.k, p.height * view.k);
  brush.globalCompositeOperation = "source-over";
};
const paintBase = () => {
  base = document.createElement("canvas");
  [base.width, base.height] = [canvas.width, canvas.height];
  const brush = base.getContext("2d");
  paintBands(brush, base.width, base.height, view, layer);
  paintPhoto(brush);
  brush.lineWidth = 1.5 * ratio;
  brush.strokeStyle = "#111";
  paintHoles(brush);
  paintOutline(brush);
  paintWorst(brush);
  taken = [];
  paintDots(brush);
  paintTags(brush);
  paintFigures(brush);
};
// the whole wall over a view that shows a part of it only, where the wall is long and the screen narrow
const overview = $("overview");
const paintOverview = () => {
  if (overview.hidden) return;
  const brush = overview.getContext("2d"), all = whole(overview.width, overview.height);
  paintBands(brush, overview.width, overview.height, all, layer);
  const corner = (x, y) => [(x - all.x) * all.k, overview.height - (y - all.y) * all.k];
  brush.fillStyle = "#fff";
  for (const o of data.openings) brush.fillRect(...corner(o.left, o.bottom + o.height), o.width * all.k, o.height * all.k);
  brush.lineWidth = 3 * ratio;
  brush.strokeStyle = "#111";
  brush.strokeRect(...corner(view.x, view.y + canvas.height / view.k), (canvas.width / view.k) * all.k, (canvas.height / view.k) * all.k);
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
const paintBox = () => {
  const { left, bottom, width, height } = box, right = left + width, top = bottom + height;
  pen.setLineDash([8 * ratio, 4 * ratio]);
  const corners = [[left, bottom], [right, bottom], [right, top], [left, top]].map(([x, y]) => ({ x, y }));
  corners.forEach((p, k) => line(p, corners[(k + 1) % 4], 3, "#111"));
  pen.setLineDash([]);
  corners.forEach((p) => knob(p, 8));
};
const paint = () => {
  if (!base) { paintBase(); paintOverview(); }
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
  } else if (tool === "box" && box) paintBox();
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
  } else if (tool === "box") {
    out.textContent = box
      ? `${long(box.width)} x ${long(box.height)}, ${long(box.left)} from the left, ${long(box.bottom)} up`
      : "Draw it on the wall from corner to corner.";
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
