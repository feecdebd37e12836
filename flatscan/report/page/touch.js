// Fingers, mouse, wheel and keys. One finger swipes the page up and down, as everywhere; two fingers move the wall, and
// one does only with a tool that lays something.
const clamp = (v, top) => Math.min(Math.max(v, 0), top);
const placeOf = (event) => {
  const frame = canvas.getBoundingClientRect(), inner = canvas.width / canvas.clientWidth;
  const x = (event.clientX - frame.left - canvas.clientLeft) * inner, y = (event.clientY - frame.top - canvas.clientTop) * inner;
  return { x: view.x + x / view.k, y: view.y + (canvas.height - y) / view.k };
};
const where = (event) => { const p = placeOf(event); return { x: clamp(p.x, W), y: clamp(p.y, H) }; };
const close = (a, b) => Math.hypot(a.x - b.x, a.y - b.y) * view.k < 30 * ratio;
const fingers = new Map();
let pinch = null, moved = false;
const spread = () => {
  const [a, b] = [...fingers.values()];
  return { away: Math.max(Math.hypot(a.clientX - b.clientX, a.clientY - b.clientY), 1), middle: { clientX: (a.clientX + b.clientX) / 2, clientY: (a.clientY + b.clientY) / 2 } };
};
canvas.addEventListener("pointerdown", (event) => {
  canvas.setPointerCapture(event.pointerId);
  fingers.set(event.pointerId, event);
  if (fingers.size === 2) {
    const { away, middle } = spread();
    [drag, pinch] = [null, { away, at: placeOf(middle), k: view.k }];
    return;
  }
  if (fingers.size > 2) return;
  const p = where(event);
  drag = { from: p, screen: event, seen: placeOf(event), read: tool === "read" };
  if (drag.read) { if (event.pointerType !== "touch" && isWhole()) move(p); return; }
  begin(p);
  move(p);
});
// what a finger takes hold of
const begin = (p) => {
  if (tool === "edge") {
    const [a, b] = ends();
    drag.end = close(p, a) ? 0 : close(p, b) ? 1 : -1;
  } else if (tool === "measure") {
    held = Math.hypot(p.x - tape[0].x, p.y - tape[0].y) < Math.hypot(p.x - tape[1].x, p.y - tape[1].y) ? 0 : 1;
  } else if (tool === "box") {
    const [right, top] = box ? [box.left + box.width, box.bottom + box.height] : [0, 0];
    const corner = box && [[box.left, box.bottom], [right, box.bottom], [right, top], [box.left, top]].findIndex(([x, y]) => close(p, { x, y }));
    if (box && corner >= 0) drag.fixed = { x: corner === 0 || corner === 3 ? right : box.left, y: corner < 2 ? top : box.bottom };
    else if (box && p.x > box.left && p.x < right && p.y > box.bottom && p.y < top) drag.box = { ...box };
    else drag.fixed = p;
  }
};
const moveBox = (p) => {
  if (drag.box) {
    box = { ...drag.box, left: clamp(drag.box.left + p.x - drag.from.x, W - drag.box.width), bottom: clamp(drag.box.bottom + p.y - drag.from.y, H - drag.box.height) };
  } else {
    const f = drag.fixed;
    box = { left: Math.min(f.x, p.x), bottom: Math.min(f.y, p.y), width: Math.abs(f.x - p.x), height: Math.abs(f.y - p.y) };
  }
  canvas.dispatchEvent(new CustomEvent("drawn", { detail: box }));
};
const move = (p) => {
  touched = true;
  if (tool === "read") Object.assign(cross, p);
  else if (tool === "measure") tape[held] = p;
  else if (tool === "box") moveBox(p);
  else if (drag && drag.end >= 0) {
    const fixed = ends()[1 - drag.end], away = Math.atan2(p.y - fixed.y, p.x - fixed.x);
    edge.turn = drag.end === 1 ? away : away + Math.PI;
    const side = drag.end === 1 ? 0.5 : -0.5;
    edge.x = fixed.x + side * edge.length * Math.cos(edge.turn);
    edge.y = fixed.y + side * edge.length * Math.sin(edge.turn);
  } else { edge.x = p.x; edge.y = p.y; }
  soon();
};
// at most once a picture, however often a finger says where it is
let waiting = false;
const soon = () => {
  if (waiting) return;
  waiting = true;
  requestAnimationFrame(() => { waiting = false; paint(); });
};
const pinched = () => {
  moved = true;
  const { away, middle } = spread();
  look((pinch.k * away) / pinch.away, view.x, view.y);
  const now = placeOf(middle);
  look(view.k, view.x + pinch.at.x - now.x, view.y + pinch.at.y - now.y);
  soon();
};
const dragged = (event) => {
  if (!drag.read) { move(where(event)); return; }
  if (!drag.moving && Math.hypot(event.clientX - drag.screen.clientX, event.clientY - drag.screen.clientY) < 8) return;
  drag.moving = true;
  if (isWhole()) { if (event.pointerType !== "touch") move(where(event)); return; }
  moved = true;
  const now = placeOf(event);
  look(view.k, view.x + drag.seen.x - now.x, view.y + drag.seen.y - now.y);
  soon();
};
canvas.addEventListener("pointermove", (event) => {
  if (!fingers.has(event.pointerId)) return;
  fingers.set(event.pointerId, event);
  if (pinch && fingers.size === 2) pinched();
  else if (drag) dragged(event);
});
const lifted = (event) => {
  if (drag && drag.read && !drag.moving && event.type === "pointerup") { move(where(event)); paint(); }
  fingers.delete(event.pointerId);
  drag = null;
  if (fingers.size < 2) pinch = null;
};
for (const name of ["pointerup", "pointercancel"]) canvas.addEventListener(name, lifted);
// two fingers are never a swipe of the page
for (const name of ["touchstart", "touchmove"]) {
  canvas.addEventListener(name, (event) => { if (event.touches.length > 1 && event.cancelable) event.preventDefault(); }, { passive: false });
}
// the wheel nears; where nothing is left to be seen further off the page moves on
const nearer = (by, to) => { moved = true; return zoom(by, to); };
canvas.addEventListener("wheel", (event) => {
  if (nearer(Math.exp(-event.deltaY * (event.deltaMode ? 0.05 : 0.0015)), placeOf(event))) event.preventDefault();
}, { passive: false });
const middle = () => ({ x: view.x + canvas.width / view.k / 2, y: view.y + canvas.height / view.k / 2 });
const ZOOMS = { in: 1.6, out: 1 / 1.6, all: 0 };
document.querySelectorAll("[data-zoom]").forEach((b) => b.addEventListener("click", () => nearer(ZOOMS[b.dataset.zoom], touched && tool === "read" ? cross : middle())));
overview.addEventListener("click", (event) => {
  const frame = overview.getBoundingClientRect(), all = whole(frame.width, frame.height);
  showPlace({ x: all.x + (event.clientX - frame.left) / all.k, y: all.y + (frame.bottom - event.clientY) / all.k });
  paint();
});
const stepBox = (dx, dy) => {
  if (!box) return;
  Object.assign(box, { left: clamp(box.left + dx, W - box.width), bottom: clamp(box.bottom + dy, H - box.height) });
  canvas.dispatchEvent(new CustomEvent("drawn", { detail: box }));
  paint();
};
const step = (name, far) => {
  touched = true;
  const by = inches ? (far ? 0.1016 : 0.0127) : far ? 0.1 : 0.01, dx = { left: -by, right: by }[name] || 0, dy = { up: by, down: -by }[name] || 0;
  if (tool === "box") { stepBox(dx, dy); return; }
  const it = tool === "read" ? cross : tool === "edge" ? edge : tape[held];
  it.x = clamp(it.x + dx, W);
  it.y = clamp(it.y + dy, H);
  if (px(it.x) < 0 || py(it.y) < 0 || px(it.x) > canvas.width || py(it.y) > canvas.height) showPlace(it);
  if (tool === "edge" && (name === "back" || name === "on")) edge.turn += (name === "back" ? 1 : -1) * (far ? Math.PI / 4 : Math.PI / 36);
  paint();
};
const NEARER = { "+": ZOOMS.in, "=": ZOOMS.in, "-": ZOOMS.out, 0: 0 };
const KEYS = { ArrowLeft: "left", ArrowRight: "right", ArrowUp: "up", ArrowDown: "down", ",": "back", ".": "on", "<": "back", ">": "on" };
canvas.addEventListener("keydown", (event) => {
  if (event.key === "Enter" && tool === "measure") { held = 1 - held; paint(); }
  else if (NEARER[event.key] !== undefined) nearer(NEARER[event.key], middle());
  else if (KEYS[event.key]) step(KEYS[event.key], event.shiftKey);
  else return;
  event.preventDefault();
});
document.querySelectorAll("[data-move]").forEach((b) => b.addEventListener("click", (event) => step(b.dataset.move, event.shiftKey)));
document.querySelectorAll("[data-x]").forEach((b) => b.addEventListener("click", () => {
  choose("tool", "read");
  Object.assign(cross, { x: b.dataset.x / 1000, y: b.dataset.y / 1000 });
  touched = true;
  showPlace(cross);
  paint();
}));
// with a tool that lays something a finger moves that, with none it moves the page
const chosen = (value) => {
  tool = value;
  canvas.classList.toggle("lays", value !== "read");
  canvas.dispatchEvent(new CustomEvent("tool", { detail: value }));
};
const choose = (name, value) => {
  document.querySelector(`input[name="${name}"][value="${value}"]`).checked = true;
  if (name === "tool") chosen(value);
};
document.querySelectorAll('input[name="layer"]').forEach((i) => i.addEventListener("change", () => {
  layer = data.layers.find((l) => l.name === i.value);
  base = null;
  legend();
  paint();
}));
document.querySelectorAll('input[name="tool"]').forEach((i) => i.addEventListener("change", () => { chosen(i.value); paint(); }));
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
    paintTone(tone.getContext("2d"), tone.width, tone.height, band);
    item.append(tone, band.words);
    return item;
  }));
};
// drawing and reading fit on one screen; a long wall is shown in part, large enough to be read, under the whole of it
const LOWEST = 150, ROOM = 220;
const fit = () => {
  ratio = Math.min(window.devicePixelRatio || 1, 2);
  const wide = Math.max(canvas.clientWidth, 1), flat = (wide * H) / W, most = Math.max(ROOM, 0.48 * window.innerHeight);
  const high = flat < LOWEST ? ROOM : Math.min(flat, most), width = Math.min(Math.round(wide * ratio), 1600);
  const size = [width, Math.max(1, Math.round((width * high) / wide))];
  if (canvas.width === size[0] && canvas.height === size[1] && base) return;
  // where somebody looks stays; a view that nobody chose is chosen anew
  const kept = moved && !isWhole() ? { ...middle(), times: view.k / whole(canvas.width, canvas.height).k } : null;
  [canvas.width, canvas.height] = size;
  canvas.style.height = `${high + 2 * canvas.clientTop}px`;
  overview.hidden = flat >= LOWEST;
  if (!overview.hidden) [overview.width, overview.height] = [width, Math.max(1, Math.round((width * H) / W))];
  const all = whole(canvas.width, canvas.height).k;
  look(kept ? kept.times * all : flat < LOWEST ? canvas.height / H : all, 0, 0);
  showPlace(kept || { x: start[0], y: start[1] });
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
window.flatscan = Object.freeze({
  at, feet,
  view: () => ({ ...view, whole: isWhole() }),
  band: (x, y) => { const [i, u] = between(x, grid.x0, grid.cols), [j, v] = between(y, grid.y0, grid.rows); return bandOf(mixed(mapOf(layer.name).values, j * grid.cols + i, grid.cols > 1 ? 1 : 0, grid.rows > 1 ? grid.cols : 0, u, v), layer.bands); },
  // where a place of the wall is on the screen
  spot: (x, y) => { const frame = canvas.getBoundingClientRect(), inner = canvas.clientWidth / canvas.width; return { x: frame.left + canvas.clientLeft + px(x) * inner, y: frame.top + canvas.clientTop + py(y) * inner }; },
  box: (made) => { if (made !== undefined) { box = made; paint(); } return box && { ...box }; },
  use: (name) => { choose("tool", name); paint(); },
  cross: () => ({ ...cross }), lay: (...p) => { const { gap, at: place, left, right } = lay(...p); return { gap, at: place, left, right }; } });
fit();
legend();
