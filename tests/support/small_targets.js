const shown = (e) => e.checkVisibility({ checkOpacity: true, checkVisibilityCSS: true }) && e.getBoundingClientRect().width > 0;
const found = [], all = [...document.querySelectorAll("a[href], button, input:not([type=hidden]), select, textarea, summary")];
let seen = 0;
for (const e of all) {
  if (!shown(e) || e.matches(".skip") || e.disabled) continue;
  const text = e.closest("p, li"), inline = getComputedStyle(e).display === "inline" && text && text.textContent.trim() !== e.textContent.trim();
  if (e.matches("a") && inline) continue;
  seen++;
  const box = (e.matches("[type=radio], [type=checkbox]") ? e.closest("label") : e).getBoundingClientRect();
  if (box.height < 43.9 || box.width < 43.9) found.push(`${e.outerHTML.slice(0, 100)}: ${box.width.toFixed(0)} x ${box.height.toFixed(0)}`);
}
return [seen, found];
