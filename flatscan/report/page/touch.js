// Fingers, mouse and keys.
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
  const by = inches ? (far ? 0.1016 : 0.0127) : far ? 0.1 : 0.01, dx = { left: -by, right: by }[name] || 0, dy = { up: by, down: -by }[name] || 0;
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
const unit = inches ? 0.0254 : 0.001;
const showLength = () => { $("length").value = inches ? Number((edge.length / unit).toFixed(2)) : Math.round(edge.length / unit); };
$("length").addEventListener("change", (event) => {
  const { min, max } = event.target, typed = Number(event.target.value);
  if (typed >= Number(min) && typed <= Number(max)) edge.length = typed * unit;
  showLength();
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
// the first straightedge is slid along itself until it lies on measured wall, where there is room for it
const [x, y, cos, sin] = [edge.x, edge.y, Math.cos(edge.turn), Math.sin(edge.turn)];
for (let k = 0; grid && k < 2 * edge.length / 0.02; k++) {
  const by = (k % 2 ? 1 : -1) * Math.ceil(k / 2) * 0.02;
  [edge.x, edge.y] = [x + by * cos, y + by * sin];
  const [a, b] = ends();
  if (lay(a.x, a.y, b.x, b.y).gap !== null) break;
  [edge.x, edge.y] = [x, y];
}
if (grid && data.start && lay(...ends().flatMap((p) => [p.x, p.y])).gap === null) edge.length = data.start[3];
showLength();
window.flatscan = Object.freeze({ at, feet, cross: () => ({ ...cross }), lay: (...p) => { const { gap, at: place, left, right } = lay(...p); return { gap, at: place, left, right }; } });
fit();
legend();
