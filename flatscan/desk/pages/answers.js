// Ticks of the hacking list, and fixed points by tapping. Nothing is worked out here.
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
const across = $("fix-x"), up = $("fix-y"), wall = $("wall");
if (across) {
  const inches = document.body.dataset.units === "in";
  const said = (m) => (inches ? (m / 0.0254).toFixed(2) : String(Math.round(m * 1000)));
  const take = () => {
    if (document.querySelector('input[name="tool"]:checked').value !== "read") return;
    const at = window.flatscan.cross();
    [across.value, up.value] = [said(at.x), said(at.y)];
  };
  for (const name of ["pointerup", "keyup"]) wall.addEventListener(name, take);
  document.querySelectorAll("[data-move], [data-x]").forEach((button) => button.addEventListener("click", take));
}
