// Everything begins here, once the page has been read.

document.documentElement.classList.add("scripted");
const stores = readStore("tables");
const drawn = new Map();
for (const root of document.querySelectorAll(".table")) {
  drawn.set(root.dataset.table, new PagedTable(root, stores[root.dataset.table]));
}
const part = new SensorPart(stores.sensors, readStore("more"), new Paths(readStore("paths")), drawn.get("sensors"));
let waiting = 0;
window.addEventListener("hashchange", () => part.follow());
window.addEventListener("resize", () => {
  clearTimeout(waiting);
  waiting = setTimeout(() => { if (!part.root.hidden) part.follow(); }, 200);
});
part.follow();
