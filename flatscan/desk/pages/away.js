// The reading screens that this phone keeps, by their own titles.
(async () => {
  const list = document.getElementById("kept");
  const pages = await caches.open("flatscan-pages");
  for (const asked of await pages.keys()) {
    const page = await (await pages.match(asked)).text(), title = new DOMParser().parseFromString(page, "text/html").title;
    const line = document.createElement("li"), link = document.createElement("a");
    Object.assign(link, { href: new URL(asked.url).pathname, textContent: title });
    line.append(link);
    list.append(line);
  }
  document.getElementById("none").hidden = list.children.length > 0;
})();
