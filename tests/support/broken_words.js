const found = [], walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT), range = document.createRange();
let seen = 0;
for (let node = walker.nextNode(); node; node = walker.nextNode()) {
  const of = node.parentElement;
  if (!of || of.closest("script, style, code, textarea, option") || !of.checkVisibility() || of.getBoundingClientRect().width < 2) continue;
  for (const { 0: word, index } of node.data.matchAll(/[\p{L}\d]{2,24}/gu)) {
    range.setStart(node, index);
    range.setEnd(node, index + word.length);
    seen++;
    const tops = new Set([...range.getClientRects()].filter((r) => r.width > 0).map((r) => Math.round(r.top)));
    if (tops.size > 1) found.push(`${word}, in: ${node.data.trim().slice(0, 60)}`);
  }
}
return [seen, found];
