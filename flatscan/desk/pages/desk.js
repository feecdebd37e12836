// Saving at every key, sending a scan, and waiting for the wall to be measured. Nothing is worked out here.
const body = document.body, wall = body.dataset.wall;
let revision = body.dataset.revision || "", stopped = false;
const told = document.getElementById("told"), saved = document.getElementById("saved");
const tell = (text) => { told.textContent = text; told.hidden = !text; };
const say = (text) => { if (saved) saved.textContent = text; };
const took = (now) => {
  revision = now;
  document.querySelectorAll('input[name="revision"]').forEach((field) => { field.value = now; });
};
const pause = (ms) => new Promise((done) => { setTimeout(done, ms); });
// one request after another, each on the revision the last one left; a lost connection is tried again, not forgotten
let line = Promise.resolve(), under = 0;
const post = (path, makeBody) => {
  under += 1;
  const run = async () => {
    for (;;) {
      if (stopped) return null;
      try {
        const answer = await fetch(`/wall/${wall}/${path}`, {
          method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify({ revision, ...makeBody() }),
        });
        const made = await answer.json();
        if (answer.ok) { took(made.revision); say("saved"); tell(""); return made; }
        if (answer.status === 409 || answer.status === 401) stopped = true;
        say("NOT saved");
        tell([made.where, made.found].filter(Boolean).join(": ") + (made.remedy ? `. ${made.remedy}.` : ""));
        return null;
      } catch {
        say("NOT saved yet");
        tell("No answer from the program: is it still running? Your entry is kept on this page and tried again.");
        await pause(1500);
      }
    }
  };
  line = line.then(run).finally(() => { under -= 1; });
  return line;
};
// leaving by a link would lose the last signs typed ("2,5" kept as 2): they go first; a second tap goes at once
document.addEventListener("click", async (event) => {
  const to = event.target.closest("a[href]");
  if (!to || !under || stopped || to.target || event.ctrlKey || event.metaKey || event.shiftKey || to.dataset.asked) return;
  event.preventDefault();
  to.dataset.asked = "yes";
  await line;
  location.href = to.href;
});
window.addEventListener("beforeunload", (event) => { if (under && !stopped) event.preventDefault(); });
window.desk = { post, tell, say, took };

const valuesOf = (form) => {
  const values = {};
  for (const field of form.elements) {
    if (!field.name || ["revision", "found", "opening", "go", "wall"].includes(field.name) || ["hidden", "submit"].includes(field.type)) continue;
    if (field.type === "radio") { if (field.checked) values[field.name] = field.value; }
    else if (field.type === "checkbox") (values[field.name] ||= []).push(...(field.checked ? [field.value] : []));
    else values[field.name] = field.value;
  }
  const found = [...form.querySelectorAll('input[name="found"]')].map((field) => field.value);
  if (found.length) values.no_opening = found.filter((number) => !form.querySelector(`input[name="opening"][value="${number}"]`).checked);
  return values;
};
document.querySelectorAll("form[data-keep]").forEach((form) => {
  let waiting = false;
  form.addEventListener("input", async (event) => {
    if (event.target.dataset.stay !== undefined) {
      const go = document.createElement("input");
      Object.assign(go, { type: "hidden", name: "go", value: "stay" });
      form.append(go);
      await line;
      form.requestSubmit();
      return;
    }
    say("…");
    if (waiting) return;
    waiting = true;
    const made = await post(form.dataset.keep || "keep", () => { waiting = false; return { values: valuesOf(form) }; });
    for (const [name, text] of Object.entries(made ? made.troubles : {})) {
      const place = form.querySelector(`[data-wrong="${name}"]`);
      if (place) { place.textContent = text; place.hidden = !text; }
    }
  });
  // a form sent while its last key is still on the way would stand on an old revision
  form.addEventListener("submit", async (event) => {
    if (form.dataset.ready) return;
    event.preventDefault();
    const by = event.submitter;
    await line;
    form.dataset.ready = "yes";
    // not at once: while a form is being sent, another request to send it is ignored
    setTimeout(() => form.requestSubmit(by && by.form === form ? by : undefined));
  });
});
window.addEventListener("pageshow", (event) => { if (event.persisted) location.reload(); });

document.querySelectorAll("form[data-once]").forEach((form) => form.addEventListener("submit", () => {
  for (const button of form.querySelectorAll("button")) { button.disabled = true; button.textContent = form.dataset.once; }
}));

document.querySelectorAll("form[data-upload]").forEach((form) => {
  const zone = form.querySelector("[data-drop]"), file = form.querySelector('input[type="file"]'), bar = form.querySelector("progress");
  for (const name of ["dragenter", "dragover"]) zone.addEventListener(name, (event) => { event.preventDefault(); zone.classList.add("over"); });
  for (const name of ["dragleave", "drop"]) zone.addEventListener(name, () => zone.classList.remove("over"));
  zone.addEventListener("drop", (event) => {
    event.preventDefault();
    const dropped = [...event.dataTransfer.items].map((item) => item.webkitGetAsEntry && item.webkitGetAsEntry());
    if (dropped.some((entry) => entry && entry.isDirectory)) { tell("Drop the files that are in the folder, or a zip of it."); return; }
    if (!event.dataTransfer.files.length) { tell("Drop the file, or the files, of one scan."); return; }
    file.files = event.dataTransfer.files;
    form.requestSubmit(zone.querySelector("button"));
  });
  // the day a file was written is the day it was measured, unless somebody says another; he sees it before he sends it
  const day = form.querySelector("[data-of-file]");
  if (day) {
    file.addEventListener("change", () => {
      const [first] = file.files;
      if (first && (!day.value || day.dataset.taken)) { day.value = new Date(first.lastModified).toLocaleDateString("sv"); day.dataset.taken = "yes"; }
    });
    day.addEventListener("input", () => delete day.dataset.taken);
  }
  form.addEventListener("submit", async (event) => {
    if (event.submitter && event.submitter.value === "laser") return;
    event.preventDefault();
    if (!file.files.length) { tell("Choose the scan first, or drop it on the page."); file.focus(); return; }
    const by = event.submitter, most = Number(body.dataset.most), size = [...file.files].reduce((sum, one) => sum + one.size, 0);
    if (size > most) { tell(`The scan has ${(size / 1e6).toFixed(1)} MB, and this page takes ${(most / 1e6).toFixed(1)} MB. Export it thinner, or start with a larger --upload-limit.`); return; }
    // asked before anything is sent: whether this browser is still let in
    try {
      if ((await fetch("/favicon.ico", { cache: "no-store" })).status === 401) { tell("This page is no longer let in. Open it by the address the program printed when it was started. Nothing was sent."); return; }
    } catch { tell("No answer from the program: is it still running? Nothing was sent."); return; }
    const data = new FormData(form, by), request = new XMLHttpRequest();
    bar.hidden = false;
    tell("");
    request.upload.onprogress = (step) => { if (step.lengthComputable) bar.value = step.loaded / step.total; };
    request.onerror = () => { bar.hidden = true; tell("What was sent did not arrive: is the program still running? Try again."); };
    request.onload = () => {
      bar.hidden = true;
      if (request.status < 400) { location.href = request.responseURL; return; }
      const page = new DOMParser().parseFromString(request.responseText, "text/html"), said = page.querySelector('main .told[role="alert"]:not([hidden])');
      tell(said ? [...(said.querySelectorAll("p").length ? said.querySelectorAll("p") : [said])].map((p) => p.textContent).join(" ") : "The file was not taken.");
    };
    request.open("POST", form.action);
    request.send(data);
  });
});

const working = document.getElementById("working");
if (working) {
  const look = async () => {
    try {
      const answer = await fetch(working.dataset.at || `/wall/${wall}/state?of=${working.dataset.of}`), made = await answer.json();
      if (made.done) { location.reload(); return; }
      const words = made.words || made.found || "";
      document.getElementById("doing").textContent = `${words.charAt(0).toUpperCase()}${words.slice(1)} …`;
      const share = document.getElementById("share");
      if (made.share === null || made.share === undefined) share.removeAttribute("value"); else share.value = made.share;
    } catch { tell("No answer from the program: is it still running?"); }
    setTimeout(look, 150);
  };
  // the program itself waits a little before it says that it is not done
  setTimeout(look, 50);
}
