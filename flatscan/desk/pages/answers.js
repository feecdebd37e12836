// Ticks of the hacking list, fixed points by tapping, openings by drawing. Nothing is worked out here.
const $ = (id) => document.getElementById(id);
const humps = $("humps"), after = $("after");
// what is ticked goes into the plan; once everything is worked out by it, the page is shown anew at the same place
let taps = 0;
const worked = async (tap) => {
  for (;;) {
    if (tap !== taps) return;
    try {
      const answer = await fetch(`/wall/${document.body.dataset.wall}/state?of=answers`), made = await answer.json();
      if (made.done) { if (tap === taps) { location.hash = "hacking"; location.reload(); } return; }
    } catch { window.desk.tell("No answer from the program: is it still running?"); }
    await new Promise((done) => { setTimeout(done, 400); });
  }
};
if (humps) {
  humps.addEventListener("change", async () => {
    const tap = ++taps;
    after.textContent = "Working it out with those humps cut off …";
    const made = await window.desk.post("cut", () => ({ cut: [...humps.querySelectorAll("input:checked")].map((box) => box.value) }));
    if (made) worked(tap); else after.textContent = "Not in the plan yet.";
  });
}
const across = $("fix-x"), up = $("fix-y"), wall = $("wall"), form = $("box");
const inches = document.body.dataset.units === "in", unit = inches ? 0.0254 : 0.001;
// places and sizes to the millimetre, or to the sixteenth that a tape has
const sixteenths = (m) => {
  const ticks = Math.round((Math.abs(m) / unit) * 16), whole = Math.floor(ticks / 16);
  let [part, of] = [ticks % 16, 16];
  for (; part && part % 2 === 0; of /= 2) part /= 2;
  const words = [whole || !part ? whole : "", part ? `${part}/${of}` : ""].filter((word) => word !== "").join(" ");
  return m < 0 && ticks ? `-${words}` : words;
};
const said = (m) => (inches ? sixteenths(m) : String(Math.round(m / unit)));
// "112,5" is a number here as it is everywhere on the page, "17 3/8" where inches are meant; what only the program can
// read is left to it
const FRACTION = /^(?:(\d+)[ -])?(\d+)\/(\d+)$/u;
const numberIn = (text) => {
  const written = text.trim().replace(",", "."), parts = FRACTION.exec(written);
  return inches && parts ? Number(parts[1] || 0) + Number(parts[2]) / Number(parts[3]) : Number(written || NaN);
};
if (across) {
  const place = () => JSON.stringify(window.flatscan.cross());
  let last = place();
  const take = () => {
    // a finger that only moved the wall read no place
    if (document.querySelector('input[name="tool"]:checked').value !== "read" || place() === last) return;
    last = place();
    const at = window.flatscan.cross();
    [across.value, up.value] = [said(at.x), said(at.y)];
  };
  for (const name of ["pointerup", "keyup"]) wall.addEventListener(name, take);
  document.querySelectorAll("[data-move], [data-x]").forEach((button) => button.addEventListener("click", take));
}
// an opening drawn on the wall and its fields are one thing: each follows the other, and they stand beside each other
const SIDES = ["left", "bottom", "width", "height"];
if (form) {
  const home = document.createComment("the fields of an opening"), send = form.querySelector('button[type="submit"]');
  form.before(home);
  wall.addEventListener("drawn", (event) => SIDES.forEach((side) => { $(`box-${side}`).value = said(event.detail[side]); }));
  wall.addEventListener("tool", (event) => (event.detail === "box" ? $("reading").after(form) : home.after(form)));
  const typed = () => {
    const sizes = SIDES.map((side) => numberIn($(`box-${side}`).value) * unit);
    if (sizes.every(Number.isFinite)) window.flatscan.box(Object.fromEntries(SIDES.map((side, k) => [side, sizes[k]])));
  };
  form.addEventListener("input", typed);
  document.querySelectorAll("[data-box]").forEach((button) => {
    button.hidden = false;
    button.addEventListener("click", () => {
      const sizes = button.dataset.box.split(",").map(Number);
      form.elements.number.value = button.dataset.number;
      form.elements.kind.value = button.dataset.number.split("-")[0];
      send.textContent = "Change it";
      SIDES.forEach((side, k) => { $(`box-${side}`).value = said(sizes[k]); });
      window.flatscan.use("box");
      window.flatscan.box(Object.fromEntries(SIDES.map((side, k) => [side, sizes[k]])));
      wall.scrollIntoView({ block: "center" });
    });
  });
}
