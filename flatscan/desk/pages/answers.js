// Ticks of the hacking list, and fixed points by tapping. The numbers come back from Python.
const $ = (id) => document.getElementById(id);
const humps = $("humps");
const show = (made) => {
  if (!made) return;
  $("after").replaceChildren(...made.lines.map(([name, value]) => {
    const pair = document.createElement("div"), term = document.createElement("dt"), said = document.createElement("dd");
    term.textContent = name;
    said.textContent = value;
    pair.append(term, said);
    return pair;
  }));
};
const tick = () => window.desk.post("cut", () => ({ cut: [...humps.querySelectorAll("input:checked")].map((box) => box.value) })).then(show);
if (humps) {
  humps.addEventListener("change", tick);
  tick();
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
