// The page part of one sensor: what to do and why, when it was last tested with gas, its facts, its path, its readings.

class SensorPart {
  constructor(list, more, paths, table, places) {
    Object.assign(this, { list, more, paths, table, places });
    this.root = document.getElementById("sensor");
    this.report = document.getElementById("report");
  }

  // Shows the sensor that the address names, or the report when it names none.
  follow() {
    const wanted = location.hash.startsWith("#sensor=") ? this.decode(location.hash.slice(8)) : null;
    if (wanted === null) {
      if (this.report.hidden) this.goBack();
      this.left = location.hash;
      return;
    }
    if (!this.report.hidden) this.scrolled = window.scrollY;
    this.row = this.places().get(wanted);
    this.report.hidden = true;
    this.root.hidden = false;
    this.draw(wanted);
    this.root.focus({ preventScroll: true });
    window.scrollTo(0, 0);
  }

  // To where the reader was, with the focus on the sensor that was looked at, or to the section that the address names.
  goBack() {
    this.root.hidden = true;
    this.report.hidden = false;
    document.title = this.title || document.title;
    const section = location.hash.length > 1 && document.getElementById(location.hash.slice(1));
    if (section && ![this.left, "#sensors"].includes(location.hash)) {
      section.scrollIntoView();
      return;
    }
    if (this.scrolled !== undefined) window.scrollTo(0, this.scrolled);
    const seen = this.row !== undefined && [...this.table.body.querySelectorAll("a")].find((a) => a.textContent === this.shown);
    if (seen) seen.focus({ preventScroll: true });
  }

  decode(text) {
    try { return decodeURIComponent(text); } catch (error) { return text; }
  }

  value(key) {
    const column = this.list.columns.find((c) => c.key === key);
    return column ? show(this.list, this.row, column) : "";
  }

  raw(store, key) {
    return store.data[key] === undefined ? null : valueAt(store, key, this.row);
  }

  draw(wanted) {
    const home = make("p", {}, make("a", { href: "#sensors" }, "← Back to the report"));
    if (this.row === undefined) {
      this.root.replaceChildren(home, make("h1", {}, wanted), make("p", {}, "No sensor of this name is in the report."));
      return;
    }
    this.root.replaceChildren(home, this.neighbours(), make("h1", {}, `Sensor ${wanted}`), this.verdict(),
      ...this.pathParts(wanted), this.facts(), document.querySelector(".caution").cloneNode(true));
    this.shown = wanted;
    this.title = this.title || document.title;
    document.title = `Sensor ${wanted}, ${this.title}`;
    say(`Sensor ${wanted}`);
  }

  neighbours() {
    const rows = Array.from(this.table.rows), place = rows.indexOf(this.row);
    const links = make("p", { class: "quiet" });
    const link = (row, text) => {
      const id = valueAt(this.list, "sensor_id", row);
      return make("a", { href: sensorLink(id) }, `${text}: ${id}`);
    };
    if (place > 0) links.append(link(rows[place - 1], "Before it in the list"));
    if (place > 0 && place < rows.length - 1) links.append(" · ");
    if (place >= 0 && place < rows.length - 1) links.append(link(rows[place + 1], "After it in the list"));
    return links;
  }

  verdict() {
    const due = this.value("due");
    const box = make("div", { class: "verdict" }, make("strong", {}, this.value("action") || "no action"));
    if (/^\d/.test(due)) box.append(`, due ${due}`);
    box.append(make("p", {}, ...firm(this.value("reason"))));
    box.append(make("p", {}, `Last gas test: ${this.value("last_gas_test")}, ${this.value("gas_test")}.`));
    return box;
  }

  facts() {
    const facts = make("dl", { class: "facts" });
    const add = (column, store) => {
      const text = show(store, this.row, column);
      if (text !== "" && text !== "–") facts.append(make("div", {}, make("dt", {}, column.label), make("dd", {}, text)));
    };
    const told = ["sensor_id", "action", "due", "reason", "last_gas_test", "gas_test"];
    this.list.columns.filter((c) => !told.includes(c.key)).forEach((c) => add(c, this.list));
    this.more.columns.forEach((c) => add(c, this.more));
    return facts;
  }

  pathParts(id) {
    const path = this.paths.of(this.row);
    if (!path) {
      const text = this.paths.store.at.length && this.raw(this.list, "rul_days_p50") !== null
        ? "Its readings are not in this file, which carries those of the most pressing sensors only, to stay small."
        : "It has no readings of its own that a path could be drawn from.";
      return [make("p", { class: "quiet" }, text)];
    }
    const { asOf, end } = this.paths.store;
    const quantiles = ["rul_days_p05", "rul_days_p50", "rul_days_p95"].map((key) => this.raw(this.list, key));
    const warranty = this.raw(this.more, "warranty_end");
    const life = quantiles.includes(null) ? null : quantiles;
    const label = `Headroom ratio of ${id} over time; the readings are in the table below.`;
    const width = Math.max(320, Math.min(1000, document.body.clientWidth - 40));
    const svg = drawPath(path, { asOf, end, life, warranty: warranty === null ? null : warranty - asOf, label, width });
    const caption = make("figcaption", { class: "quiet" }, "Headroom ratio (log scale). ● net of the gas · ○ as recorded · "
      + "▽ △ known as a bound only · × left out, does not fit · inner band: 5 chances in 10 · outer: 9 in 10 · "
      + "bar: end of life, 9 in 10");
    const parts = [make("figure", { class: "path picture" }, svg, caption)];
    if (this.raw(this.more, "mode") === "sudden") {
      parts.push(make("p", {}, "The likelier end is a sudden one, which headroom does not foretell; the bar counts it."));
    }
    return [...parts, this.readings(path, asOf)];
  }

  readings(path, asOf) {
    const table = make("table", { class: "small" }, make("caption", {}, "Readings, newest first"));
    const heads = ["date", "headroom ratio as recorded", "net of the gas"].map((t) => make("th", { scope: "col" }, t));
    table.append(make("thead", {}, make("tr", {}, ...heads)));
    const body = make("tbody", {});
    for (let k = path.day.length - 1; k >= 0; k -= 1) {
      const sign = path.bound[k] === 2 ? "left out: " : path.bound[k] > 0 ? "at least " : path.bound[k] < 0 ? "at most " : "";
      body.append(make("tr", {}, make("td", {}, isoDay(asOf + path.day[k])),
        make("td", { class: "right" }, sign + Math.exp(path.y[k]).toFixed(2)),
        make("td", { class: "right" }, sign + Math.exp(path.y[k] - path.effect[k]).toFixed(2))));
    }
    table.append(body);
    return make("details", {}, make("summary", {}, `The ${path.day.length} readings`), table);
  }
}
