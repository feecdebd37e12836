// Keeps the reading screens of the walls that were opened here, and what they are made of. The program is asked first;
// only where it does not answer is what was kept shown. Nothing else is kept, and nothing is sent from here.
const PAGES = "flatscan-pages", PARTS = "flatscan-parts", AWAY = "/away";
const MADE_OF = [AWAY, "/static/page.css", "/static/desk.js", "/static/keeping.js", "/static/readings.js", "/static/spoken.js", "/static/away.js"];
const READING = /^\/wall\/wall-[0-9]+\/readings$/;
const PATIENCE = 4000;
const get = async (request) => {
  const stop = new AbortController(), timer = setTimeout(() => stop.abort(), PATIENCE);
  try { return await fetch(request, { signal: stop.signal }); } finally { clearTimeout(timer); }
};
const kept = async (cache, path, answer) => {
  if (answer.ok && !answer.redirected) await (await caches.open(cache)).put(path, answer.clone());
  return answer;
};
const keepAll = async (cache, paths) => {
  for (const path of paths) {
    const answer = await get(path);
    if (!answer.ok || answer.redirected) throw new Error(path);
    await kept(cache, path, answer);
  }
};
addEventListener("install", (event) => event.waitUntil(keepAll(PARTS, MADE_OF).then(() => skipWaiting())));
addEventListener("activate", (event) => event.waitUntil(clients.claim()));
addEventListener("message", (event) => event.waitUntil((async () => {
  const path = event.data.keep;
  let done = true;
  try {
    if (READING.test(path)) await keepAll(PAGES, [path]);
    await keepAll(PARTS, MADE_OF);
  } catch { done = Boolean(await caches.match(path)); }
  event.source.postMessage({ kept: path, done });
})()));
addEventListener("fetch", (event) => {
  const { request } = event, at = new URL(request.url);
  if (request.method !== "GET" || at.origin !== location.origin) return;
  if (request.mode === "navigate") event.respondWith(page(request, at.pathname));
  else if (MADE_OF.includes(at.pathname)) event.respondWith(part(request, at.pathname));
});
const page = async (request, path) => {
  const has = READING.test(path) && await caches.match(path, { cacheName: PAGES });
  try {
    const answer = await (has || path === "/" ? get(request) : fetch(request));
    return READING.test(path) ? await kept(PAGES, path, answer) : answer;
  } catch (trouble) {
    const shown = has || await caches.match(AWAY, { cacheName: PARTS });
    if (!shown) throw trouble;
    return shown;
  }
};
const part = async (request, path) => {
  try { return await kept(PARTS, path, await get(request)); }
  catch (trouble) {
    const shown = await caches.match(path, { cacheName: PARTS });
    if (!shown) throw trouble;
    return shown;
  }
};
