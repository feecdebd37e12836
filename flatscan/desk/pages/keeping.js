// Readings live on this device first: noted here, then sent, and tried again until the program has them. An entry goes
// from here only once the program said that it has it; every text this device saw stand there travels with it, so that
// the program can tell what somebody else entered meanwhile.
const noted = new Map();
let base = null, turnOf = Promise.resolve(), sending = null, again = false, reached = true, order = Date.now();
const listeners = new Set();
const opened = new Promise((done) => {
  try {
    const ask = indexedDB.open("flatscan", 2);
    ask.onupgradeneeded = () => {
      for (const [name, keyPath] of [["entries", "slot"], ["known", "name"]]) {
        if (!ask.result.objectStoreNames.contains(name)) ask.result.createObjectStore(name, { keyPath });
      }
    };
    ask.onsuccess = () => { base = ask.result; done(); };
    ask.onerror = () => done();
  } catch { done(); }
});
const wrote = (work, into = "entries") => new Promise((done, failed) => {
  if (!base) { done(); return; }
  const step = base.transaction(into, "readwrite");
  work(step.objectStore(into));
  step.oncomplete = done;
  step.onabort = () => failed(step.error);
});
// what other pages of this device noted is there too
const load = async () => {
  await opened;
  if (!base) return;
  const held = await new Promise((done, failed) => {
    const ask = base.transaction("entries").objectStore("entries").getAll();
    ask.onsuccess = () => done(ask.result);
    ask.onerror = () => failed(ask.error);
  });
  noted.clear();
  for (const one of held) noted.set(one.slot, one);
};
const slotOf = (of, mark, key, kind) => `${of} ${mark} ${key} ${kind === "typing" ? "typing" : "entered"}`;
const inTurn = (work) => { turnOf = turnOf.then(work, work); return turnOf; };
const unsent = (of) => [...noted.values()].filter((one) => (!of || one.wall === of) && one.kind !== "typing").length;
const tellAll = (event) => { for (const one of listeners) one(event); };

const put = (of, mark, key, kind, text, seen) => inTurn(async () => {
  await load();
  const slot = slotOf(of, mark, key, kind), before = noted.get(slot), typing = slotOf(of, mark, key, "typing");
  const was = [...new Set([...(before ? before.was : []), ...seen])].slice(-20);
  const one = { slot, wall: of, mark, key, kind, text, was, order: order += 1, at: new Date().toISOString() };
  noted.set(slot, one);
  if (kind !== "typing") noted.delete(typing);
  await wrote((store) => { store.put(one); if (kind !== "typing") store.delete(typing); });
  tellAll({ noted: true });
});

const took = (sent, there) => inTurn(async () => {
  await load();
  const gone = [], kept = [];
  for (const one of sent) {
    const now = noted.get(one.slot);
    // what somebody else entered there is chosen by a person first
    if (!now || (one.kind !== "typing" && there[one.key] !== undefined)) continue;
    if (now.order === one.order) { gone.push(one.slot); noted.delete(one.slot); }
    else { now.was = [...new Set([...now.was, one.text])].slice(-20); kept.push(now); }
  }
  await wrote((store) => { gone.forEach((slot) => store.delete(slot)); kept.forEach((one) => store.put(one)); });
});

// what the program had of every station when it answered last: a page that was kept is as old as when it was opened
const know = async (of, mark, { at, stations }, sent) => {
  const before = stations ? { stations } : await known(of, mark);
  if (!before) return;
  if (!stations) for (const one of before.stations) {
    const typed = sent.find((entry) => entry.key === one.key);
    if (typed) Object.assign(one, typed.text === one.text ? { typing: null, state: one.state !== "typing" ? one.state : one.text === "" ? "open" : "confirmed" } : { typing: typed.text, state: "typing" });
  }
  await wrote((store) => store.put({ name: `${of} ${mark}`, at, stations: before.stations }), "known");
};
const known = async (of, mark) => {
  await opened;
  if (!base) return null;
  return new Promise((done) => {
    const ask = base.transaction("known").objectStore("known").get(`${of} ${mark}`);
    ask.onsuccess = () => done(ask.result || null);
    ask.onerror = () => done(null);
  });
};
const drop = (of, mark, key) => inTurn(async () => {
  const slot = slotOf(of, mark, key, "entered");
  noted.delete(slot);
  await wrote((store) => store.delete(slot));
});

// one wall after another, all that is noted for it in the order of typing
const send = async (of, mark, entries, look) => {
  const answer = await fetch(`/wall/${of}/reading`, {
    method: "POST", headers: { "Content-Type": "application/json" },
    body: JSON.stringify({ mark, entries: entries.map(({ key, kind, text, was }) => ({ key, kind, text, was })) }),
  });
  const made = await answer.json();
  if (answer.ok) { await took(entries, made.there); await know(of, mark, made, entries); tellAll({ wall: of, mark, made, sent: entries.map((one) => one.key) }); return true; }
  tellAll({ wall: of, mark, refused: answer.status, said: made, look });
  return false;
};
const pass = async (look) => {
  await inTurn(load);
  const walls = new Map();
  if (look) walls.set(`${look.wall} ${look.mark}`, { ...look, entries: [] });
  for (const one of [...noted.values()].sort((a, b) => a.order - b.order)) {
    const name = `${one.wall} ${one.mark}`;
    if (!walls.has(name)) walls.set(name, { wall: one.wall, mark: one.mark, entries: [] });
    walls.get(name).entries.push(one);
  }
  for (const { wall: of, mark, entries } of walls.values()) if (entries.length || look) await send(of, mark, entries, Boolean(look));
};
let later = 0;
const sync = (look) => {
  clearTimeout(later);
  if (sending) { again = look || again || true; return sending; }
  sending = (async () => {
    try {
      for (let next = look; ; ) {
        again = false;
        await pass(next && next.wall ? next : null);
        if (!again) break;
        next = again;
      }
      reached = true;
    } catch {
      reached = false;
      later = setTimeout(sync, 1500);
    } finally { sending = null; }
    tellAll({ reached });
    return reached;
  })();
  return sending;
};
addEventListener("online", () => sync());
window.keeping = {
  put: (...entry) => put(...entry).then(() => { sync(); }),
  drop, sync, load, unsent, known,
  entries: (of, mark) => [...noted.values()].filter((one) => one.wall === of && one.mark === mark),
  listen: (one) => listeners.add(one),
  lasting: async () => { await opened; return Boolean(base); },
  get reached() { return reached; },
};
// what another page left
sync();

// only over https, which is what a worker needs: then the reading screen opens without the program too
if (location.protocol === "https:" && navigator.serviceWorker) {
  const worker = navigator.serviceWorker;
  worker.addEventListener("message", (event) => {
    if (event.data.kept === location.pathname && event.data.done) { document.body.dataset.opens = "offline"; tellAll({ opens: true }); }
  });
  worker.register("/worker.js").then(() => worker.ready).then((ready) => ready.active.postMessage({ keep: location.pathname })).catch(() => {});
}
