// One station after another: big keys, each key saved, each reading checked before the next station is named.
const { stations, start } = JSON.parse(document.getElementById("stations").textContent);
const $ = (id) => document.getElementById(id);
const value = $("value"), doubt = $("doubt"), on = $("on");
let at = start, kept = null;
$("entry").hidden = false;
$("begin").hidden = false;
$("begin").addEventListener("click", () => { $("before").open = false; value.focus(); });
const cell = (key) => document.querySelector(`input[name="r-${key}"]`);
const paint = () => {
  document.querySelectorAll("[data-station]").forEach((mark) => {
    const one = stations[Number(mark.dataset.station) - 1];
    mark.classList.toggle("done", one.text !== "");
    mark.classList.toggle("now", one === stations[at]);
  });
};
const warn = (texts) => {
  doubt.textContent = texts.join(" ");
  doubt.hidden = !texts.length;
  on.textContent = texts.length ? "Keep it, next" : at === stations.length - 1 ? "Done" : "Next";
};
const speaker = window.speechSynthesis;
if (speaker) $("speak-line").hidden = false;
const speak = (text) => {
  if (!speaker || !$("speak").checked) return;
  speaker.cancel();
  speaker.speak(new SpeechSynthesisUtterance(text));
};
const show = () => {
  const one = stations[at];
  $("now").textContent = one.spoken;
  value.value = one.text;
  kept = null;
  warn([]);
  paint();
  speak(one.spoken);
  value.focus({ preventScroll: true });
  value.select();
};
const pending = new Map();
const send = (one) => {
  // what waits in line is sent as it stands when its turn comes: keys typed meanwhile go with it
  if (pending.has(one.key)) return pending.get(one.key);
  const sent = window.desk.post("reading", () => { pending.delete(one.key); return { number: one.key, text: one.text }; });
  pending.set(one.key, sent);
  return sent;
};
const typed = async () => {
  const one = stations[at];
  one.text = value.value.trim();
  cell(one.key).value = one.text;
  kept = null;
  window.desk.say("…");
  $("before").open = false;
  warn([]);
  const made = await send(one);
  if (made) $("count").textContent = `${made.done} of ${made.count} read`;
  paint();
  return made;
};
const next = async () => {
  const one = stations[at], text = value.value.trim();
  if (kept !== text) {
    const made = await typed();
    if (!made || one !== stations[at]) return;
    if (made.doubts.length) { warn(made.doubts); kept = text; speak(made.doubts.join(" ")); return; }
  }
  const open = stations.findIndex((other, k) => k > at && other.text === "");
  if (at === stations.length - 1) {
    const missed = stations.findIndex((other) => other.text === "");
    if (missed < 0 || missed === at) { window.desk.tell("All read. Go on below."); return; }
    at = missed;
  } else at = open < 0 ? at + 1 : open;
  show();
};
value.addEventListener("input", typed);
value.addEventListener("keydown", (event) => { if (event.key === "Enter") { event.preventDefault(); next(); } });
document.querySelectorAll("[data-key]").forEach((button) => button.addEventListener("click", () => {
  const key = button.dataset.key, chosen = value.selectionEnd > value.selectionStart;
  if (key === "next") { next(); return; }
  if (key === "before") { at = Math.max(0, at - 1); show(); return; }
  if (key === "-") value.value = "-";
  else if (key === "back") value.value = chosen ? "" : value.value.slice(0, -1);
  else value.value = (chosen || value.value === "-" ? "" : value.value) + key;
  value.setSelectionRange(value.value.length, value.value.length);
  typed();
}));
document.querySelectorAll("[data-station]").forEach((mark) => mark.addEventListener("click", () => { at = Number(mark.dataset.station) - 1; show(); }));
stations.forEach((one) => cell(one.key).addEventListener("input", (event) => {
  one.text = event.target.value.trim();
  if (one === stations[at]) value.value = one.text;
  send(one).then(paint);
}));
$("speak").addEventListener("change", () => speak(stations[at].spoken));
show();
