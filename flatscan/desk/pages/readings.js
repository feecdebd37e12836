// One station after another. Every key is noted on this device and sent; a reading counts once it is entered by Next and
// the program has no doubt of it, or somebody keeps it. Nothing here ever moves a key: all that is said has its own place.
const { stations, mark, at: asked, served } = JSON.parse(document.getElementById("stations").textContent);
const $ = (id) => document.getElementById(id);
const value = $("value"), wall = document.body.dataset.wall, keeping = window.keeping;
const byKey = new Map(stations.map((one) => [one.key, one]));
const strays = new Map(), fresh = new Set(), held = [];
let at = 0, busy = false, over = false, refused = "";
for (const one of stations) one.base = one.text;
const cell = (one) => document.querySelector(`input[name="r-${one.number}"]`);
const done = (one) => one.state === "confirmed" || one.state === "entered";
const nameOf = (one) => (one.number === "again" ? "The first station, read again" : `Station ${one.number}`);
const pause = (ms) => new Promise((then) => { setTimeout(then, ms); });

const speaker = window.speechSynthesis;
if (speaker) $("speak-line").hidden = false;
const speak = (text) => {
  if (!speaker || !$("speak").checked) return;
  speaker.cancel();
  speaker.speak(new SpeechSynthesisUtterance(text));
};

const count = () => {
  const waits = stations.filter((one) => one.there !== undefined || one.state === "doubtful").length, left = keeping.unsent(wall);
  const parts = [`${stations.filter((one) => one.state === "confirmed").length} of ${stations.length} confirmed`];
  if (waits) parts.push(`${waits} to look at`);
  parts.push(left ? `${left} not sent yet` : keeping.reached ? "all sent" : "no connection");
  $("count").textContent = parts.join(", ");
};
const paint = () => {
  document.querySelectorAll("[data-station]").forEach((mark_) => {
    const one = stations[Number(mark_.dataset.station) - 1];
    for (const state of ["open", "typing", "doubtful", "confirmed", "entered"]) mark_.classList.toggle(state, one.state === state);
    mark_.classList.toggle("now", one === stations[at]);
  });
  for (const one of stations) {
    const field = cell(one);
    if (document.activeElement !== field) field.value = one.text;
    field.closest("tr").querySelector(".how").textContent = one.there === undefined ? one.state : "twice";
  }
  $("on").textContent = at === stations.length - 1 ? "Done" : "Next";
  count();
  area();
};
// the one place where anything is said: its size is fixed
const area = () => {
  const one = stations[at], { text, choices } = words(one);
  if ($("doubt").textContent !== text) $("doubt").textContent = text;
  $("choices").replaceChildren(...choices.map(([label, act]) => {
    const button = document.createElement("button");
    Object.assign(button, { type: "button", textContent: label });
    button.addEventListener("click", act);
    return button;
  }));
};
const words = (one) => {
  if (one.there !== undefined) return twice(one);
  if (one.state === "doubtful") return { text: `Not counted yet. ${one.doubts.join(" ")}`, choices: one.keepable ? [["Keep it", () => keep(one)]] : [] };
  const other = stations.find((two) => two.there !== undefined) || stations.find((two) => fresh.has(two.key) && two.state === "doubtful");
  if (other) return { text: `${nameOf(other)}: ${other.there === undefined ? other.doubts.join(" ") : "read on two devices, with two numbers."}`, choices: [["Go there", () => go(other)]] };
  const [key, text] = [...strays][0] || [];
  if (key) return { text: `${text} was typed here at a place that is no station any more.`, choices: [["Forget it", () => { strays.delete(key); keeping.drop(wall, mark, key); paint(); }]] };
  if (refused) return { text: refused, choices: [] };
  if (!keeping.reached) return { text: away(), choices: [] };
  if (over) return { text: "All read. Go on below.", choices: [] };
  if (one.state === "typing") return { text: one.text === "" ? "Being typed: it counts once you press Next." : `Being typed: ${one.text} counts until you press Next.`, choices: [] };
  return { text: "", choices: [] };
};
const away = () => {
  const left = keeping.unsent(wall), many = left === 1 ? "1 reading waits" : `${left} readings wait`;
  if (document.body.dataset.opens === "offline") return `No connection: go on reading. ${left ? many : "What you type waits"} on this device, also when it is switched off.`;
  return `No connection: go on reading, and do not close this page. ${left ? many : "What you type waits"} here until the program answers.`;
};
const twice = (one) => ({
  text: `Somebody else entered ${one.there || "nothing"} here, you ${one.text || "nothing"}. Which one counts?`,
  choices: [
    [`${one.there || "nothing"}: theirs`, async () => {
      await keeping.drop(wall, mark, one.key);
      [one.text, one.base, one.state, one.there] = [one.there, one.there, one.there ? "confirmed" : "open", undefined];
      show();
      keeping.sync({ wall, mark });
    }],
    [`${one.text || "nothing"}: mine`, async () => {
      const seen = [one.there];
      one.there = undefined;
      await enter(one, one.text, "entered", seen);
      if (one === stations[at] && done(one)) advance();
    }],
  ],
});

const show = () => {
  const one = stations[at];
  fresh.delete(one.key);
  over = false;
  $("now").textContent = one.spoken;
  value.value = one.typing ?? one.text;
  paint();
  speak(one.spoken);
  window.dispatchEvent(new Event("reading-shown"));
  if ($("entry").hidden) return;
  value.focus({ preventScroll: true });
  // half of a number is gone on with, a whole one is typed over
  if (one.typing === null) value.select(); else value.setSelectionRange(value.value.length, value.value.length);
};
const go = (one) => { at = stations.indexOf(one); show(); };

const typed = (one, text) => {
  one.typing = text === one.text ? null : text;
  if (one.typing !== null) one.state = "typing";
  else if (one.state === "typing") one.state = one.text === "" ? "open" : one.sure || "confirmed";
  fresh.delete(one.key);
  over = false;
  paint();
  return keeping.put(wall, mark, one.key, "typing", text, []);
};
// an entry is safe on this device before anything else; what the program says of it is waited for, but not for long
const enter = async (one, text, kind = "entered", seen = [one.base]) => {
  Object.assign(one, { text, typing: null, state: text === "" ? "open" : "entered", doubts: [], there: undefined });
  await keeping.put(wall, mark, one.key, kind, text, seen);
  await Promise.race([keeping.sync(), pause(1200)]);
  paint();
};
const advance = () => {
  const open = (one) => !done(one) && one.state !== "doubtful" && one.there === undefined;
  let to = stations.findIndex((one, k) => k > at && open(one));
  if (to < 0) to = stations.findIndex((one) => one !== stations[at] && (!done(one) || one.there !== undefined));
  if (to < 0) { over = done(stations[at]); paint(); return; }
  at = to;
  show();
};
const next = async () => {
  const one = stations[at], text = value.value.trim();
  if (text !== one.text || one.typing !== null) {
    busy = true;
    await enter(one, text);
    busy = false;
    const typedMeanwhile = held.splice(0);
    if (one !== stations[at]) return;
    if (one.there !== undefined || one.state === "doubtful") { speak(one.doubts.join(" ")); value.select(); return; }
    advance();
    typedMeanwhile.forEach(press);
    return;
  }
  advance();
};
const keep = async (one) => {
  await enter(one, one.text, "kept");
  if (one === stations[at] && done(one)) advance();
};

// keys pressed while the program looks at an entry are meant for the next station
const press = (key) => {
  if (busy) { held.push(key); return; }
  if (key === "next") { next(); return; }
  if (key === "before") { at = Math.max(0, at - 1); show(); return; }
  const chosen = value.selectionEnd > value.selectionStart;
  if (key === "-") value.value = "-";
  else if (key === "back") value.value = chosen ? "" : value.value.slice(0, -1);
  else value.value = ((chosen || value.value === "-" ? "" : value.value) + key).slice(0, value.maxLength);
  value.setSelectionRange(value.value.length, value.value.length);
  typed(stations[at], value.value.trim());
};
// what is spoken goes the way of the keys
window.reading = {
  type: (text) => { if (busy) return; value.value = text; typed(stations[at], text); },
  next: () => press("next"),
};
value.addEventListener("input", () => typed(stations[at], value.value.trim()));
value.addEventListener("keydown", (event) => {
  const key = { Enter: "next", Backspace: "back" }[event.key] || event.key;
  if (event.key !== "Enter" && !(busy && (key === "back" || key.length === 1))) return;
  event.preventDefault();
  press(key);
});
document.querySelectorAll("[data-key]").forEach((button) => button.addEventListener("click", () => press(button.dataset.key)));
document.querySelectorAll("[data-station]").forEach((mark_) => mark_.addEventListener("click", () => go(stations[Number(mark_.dataset.station) - 1])));
for (const one of stations) {
  cell(one).addEventListener("input", (event) => { typed(one, event.target.value.trim()); if (one === stations[at]) value.value = event.target.value.trim(); });
  cell(one).addEventListener("change", (event) => { if (event.target.value.trim() !== one.text || one.typing !== null) enter(one, event.target.value.trim()); });
}
$("speak").addEventListener("change", () => speak(stations[at].spoken));

// what the program has of every station; what is noted here and not sent yet stands in front of it
const merge = (made) => {
  const waiting = new Map(keeping.entries(wall, mark).map((one) => [`${one.key} ${one.kind === "typing" ? "typing" : "entered"}`, one]));
  for (const now of made.stations || []) {
    const one = byKey.get(now.key);
    // a station somebody added since: the page has no line for it
    if (!one) continue;
    one.base = now.text;
    if (waiting.has(`${now.key} entered`)) continue;
    const was = one.state, typing = one === stations[at] || waiting.has(`${now.key} typing`) ? one.typing : now.typing;
    Object.assign(one, now, { typing, sure: now.state === "typing" ? one.sure : now.state, state: typing === null && now.state !== "typing" ? now.state : typing === null ? one.sure || "open" : "typing", there: undefined });
    if (one.state === "doubtful" && was !== "doubtful" && one !== stations[at]) fresh.add(one.key);
    if (one === stations[at] && one.typing === null && value.value.trim() !== one.text && !busy) { value.value = one.text; value.select(); }
  }
  for (const [key, text] of Object.entries(made.there)) {
    const one = byKey.get(key), mine = waiting.get(`${key} entered`);
    if (one && mine) Object.assign(one, { there: text, text: mine.text, state: "entered" });
    else if (mine) strays.set(key, mine.text);
  }
};
keeping.listen((event) => {
  if (event.refused && event.wall === wall) {
    refused = event.refused === 401 ? "This device is not let in any more: open the page by its code again. What you typed stays here until then."
      : event.said.other_wall ? "This page is of another wall than the program has. What you typed stays here; open the list of walls."
        : [event.said.where, event.said.found].filter(Boolean).join(": ") + (event.said.remedy ? `. ${event.said.remedy}.` : "");
  }
  if (event.made && event.wall === wall && event.mark === mark) {
    refused = "";
    window.desk.took(event.made.revision);
    merge(event.made);
  }
  paint();
});
const look = () => { if (!document.hidden && !busy) keeping.sync({ wall, mark }); };
document.addEventListener("visibilitychange", look);
setInterval(look, 15000);
window.addEventListener("beforeunload", (event) => { if (keeping.unsent(wall) && document.body.dataset.opens !== "offline") event.preventDefault(); });

// going on, or a station more, once everything typed here is sent
$("step").addEventListener("submit", async (event) => {
  event.preventDefault();
  const by = event.submitter, adds = by && by.value === "add";
  await keeping.sync();
  if (keeping.unsent(wall)) { paint(); window.desk.tell(`Not yet: ${keeping.unsent(wall)} of your readings are not sent. ${words(stations[at]).text}`); return; }
  if (!adds) { if (!by || !by.value) location.href = $("step").dataset.next; return; }
  document.querySelectorAll("#step .cell").forEach((field) => { field.disabled = true; });
  const sent = document.createElement("input");
  Object.assign(sent, { type: "hidden", name: "go", value: "add" });
  $("step").append(sent);
  $("step").submit();
});
const begin = () => {
  $("before").open = false;
  $("entry").after($("before"));
  $("entry").hidden = false;
  show();
  // station, keys and what is not sent yet are brought into sight once, and stay there: the screen may be low,
  // and the button that begins stands below a long list
  const above = $("now").getBoundingClientRect().top < 0;
  if (above || $("count").getBoundingClientRect().bottom > innerHeight) scrollTo(0, $("now").getBoundingClientRect().top + scrollY - 4);
};
$("begin").addEventListener("click", begin);
(async () => {
  await keeping.load();
  // both times are of the program's own clock
  const known = await keeping.known(wall, mark);
  if (known && known.at > served) {
    for (const now of known.stations) if (byKey.has(now.key)) Object.assign(byKey.get(now.key), now, { base: now.text });
  }
  for (const one of keeping.entries(wall, mark).sort((a, b) => a.order - b.order)) {
    const station = byKey.get(one.key);
    if (!station) { if (one.kind !== "typing") strays.set(one.key, one.text); }
    else if (one.kind === "typing") { if (one.text !== station.text) Object.assign(station, { typing: one.text, state: "typing" }); }
    else Object.assign(station, { text: one.text, typing: null, state: one.text === "" ? "open" : "entered" });
  }
  const first = stations.findIndex((one) => !done(one));
  at = asked ?? Math.max(0, first);
  if (stations.every((one) => one.state === "open") && asked === null) { $("begin").hidden = false; $("begin").focus({ preventScroll: true }); show(); } else begin();
  look();
})();
