// Everything begins here, once the page has been read.

document.documentElement.classList.add("scripted");
const stores = readStore("tables");
let known = null;
// The rows of the list of sensors by name.
function places() {
  if (!known) {
    known = new Map();
    for (let row = 0; row < stores.sensors.n; row += 1) known.set(valueAt(stores.sensors, "sensor_id", row), row);
  }
  return known;
}
const drawn = new Map();
for (const root of document.querySelectorAll(".table")) {
  drawn.set(root.dataset.table, new PagedTable(root, stores[root.dataset.table], places));
}
const part = new SensorPart(stores.sensors, readStore("more"), new Paths(readStore("paths")), drawn.get("sensors"),
  places);
let waiting = 0;
window.addEventListener("hashchange", () => part.follow());
window.addEventListener("resize", () => {
  clearTimeout(waiting);
  waiting = setTimeout(() => { if (!part.root.hidden) part.follow(); }, 200);
});
part.follow();
