// A real table over packed columns: sorting by heading, filtering by word and by choice, paging. Keyboard first.

const MANY_ROWS = 20000;
const NARROW = "(max-width: 640px)";

class PagedTable {
  // places: the rows of the list of sensors by name; only those names become links.
  constructor(root, packed, places) {
    Object.assign(this, { root, packed, places });
    this.body = root.querySelector("tbody");
    this.headings = [...root.querySelectorAll("thead th")];
    this.rows = Uint32Array.from({ length: packed.n }, (_, row) => row);
    this.cards = root.classList.contains("cards");
    this.size = this.cards && matchMedia(NARROW).matches ? 10 : 25;
    this.page = 0;
    this.sorted = null;
    this.words = "";
    this.chosen = new Map();
    this.buildControls();
    this.buildHeadings();
    this.buildPager();
    this.draw();
  }

  buildControls() {
    const controls = make("div", { class: "controls" });
    const name = this.root.dataset.table;
    if (this.packed.n > 8) {
      const input = make("input", { type: "search", id: `${name}-words`, autocomplete: "off" });
      let waiting = 0;
      input.addEventListener("input", () => {
        clearTimeout(waiting);
        waiting = setTimeout(() => { this.words = input.value.trim().toLowerCase(); this.filter(); }, 120);
      });
      controls.append(make("label", { for: input.id }, "Filter by words", input));
      for (const column of this.packed.columns.filter((c) => c.choose)) {
        const select = this.choice(column, `${name}-${column.key}`);
        if (select) controls.append(make("label", { for: select.id }, column.label, select));
      }
    }
    if (this.cards && this.packed.n > 1) controls.append(...this.orderControls(name));
    this.root.prepend(controls);
  }

  // Narrow screens show no headings to press: the same order by a list and a button.
  orderControls(name) {
    const options = this.headings.map((heading, place) => make("option", { value: place }, heading.textContent));
    const select = make("select", { id: `${name}-order` }, make("option", { value: "" }, "as given"), ...options);
    const turn = make("button", { type: "button", class: "for-narrow" }, "Turn the order round");
    turn.disabled = true;
    select.addEventListener("change", () => {
      turn.disabled = select.value === "";
      if (select.value === "") this.asGiven(); else this.sort(Number(select.value));
    });
    turn.addEventListener("click", () => this.sort(Number(select.value)));
    return [make("label", { for: select.id, class: "for-narrow" }, "Order by", select), turn];
  }

  asGiven() {
    this.sorted = null;
    for (const heading of this.headings) heading.setAttribute("aria-sort", "none");
    this.filter();
  }

  choice(column, id) {
    const stored = this.packed.data[column.key];
    const values = [...new Set(stored.codes ? stored.values : stored)].filter((v) => v !== "").sort();
    if (values.length < 2 || values.length > 60) return null;
    const select = make("select", { id }, make("option", { value: "" }, "all"));
    for (const value of values) select.append(make("option", { value }, value));
    select.addEventListener("change", () => {
      if (select.value) this.chosen.set(column.key, select.value); else this.chosen.delete(column.key);
      this.filter();
    });
    return select;
  }

  buildHeadings() {
    this.headings.forEach((heading, place) => {
      const button = make("button", { type: "button" }, heading.textContent);
      heading.replaceChildren(button);
      heading.setAttribute("aria-sort", "none");
      button.addEventListener("click", () => this.sort(place));
    });
  }

  buildPager() {
    const pager = make("div", { class: "pager" });
    this.back = make("button", { type: "button" }, "Previous page");
    this.next = make("button", { type: "button" }, "Next page");
    this.where = make("span", { class: "where" });
    this.back.addEventListener("click", () => { this.page -= 1; this.draw(true); });
    this.next.addEventListener("click", () => { this.page += 1; this.draw(true); });
    const size = make("select", { id: `${this.root.dataset.table}-size` });
    for (const count of [10, 25, 100, 500]) size.append(make("option", { value: count }, String(count)));
    size.value = String(this.size);
    size.addEventListener("change", () => { this.size = Number(size.value); this.page = 0; this.draw(true); });
    const label = make("label", { for: size.id }, "Rows on a page ");
    pager.append(this.back, this.next, this.where);
    if (this.packed.n > this.size) pager.append(label, size);
    this.root.querySelector(".scroll").after(pager);
  }

  texts(row) {
    const worded = this.packed.columns.filter((c) => c.form === "text" || c.form === "date");
    return worded.map((c) => show(this.packed, row, c)).join("\u0001").toLowerCase();
  }

  filter() {
    const { packed, words, chosen } = this;
    if (words && !this.haystack) this.haystack = Array.from({ length: packed.n }, (_, row) => this.texts(row));
    const parts = words.split(/\s+/).filter(Boolean);
    const kept = [];
    for (let row = 0; row < packed.n; row += 1) {
      let fits = true;
      for (const [key, value] of chosen) fits = fits && valueAt(packed, key, row) === value;
      for (const part of parts) fits = fits && this.haystack[row].includes(part);
      if (fits) kept.push(row);
    }
    this.rows = Uint32Array.from(kept);
    this.page = 0;
    if (this.sorted) this.order(); else this.draw(true);
  }

  sort(place) {
    const column = this.packed.columns[place];
    const rising = this.sorted && this.sorted.column === column ? !this.sorted.rising : true;
    this.sorted = { column, rising };
    this.headings.forEach((heading, k) => {
      heading.setAttribute("aria-sort", k !== place ? "none" : rising ? "ascending" : "descending");
    });
    this.page = 0;
    this.order();
  }

  order() {
    const { column, rising } = this.sorted;
    const keys = this.keys(column);
    const sign = rising ? 1 : -1;
    this.rows.sort((a, b) => {
      const left = keys[a], right = keys[b];
      if (left !== left || right !== right) return (left !== left) - (right !== right) || a - b;
      return left === right ? a - b : left < right ? -sign : sign;
    });
    this.draw(true);
  }

  // Numbers to sort by, one for each row: the value itself, or the place of its text in order. Missing is NaN, always last.
  keys(column) {
    this.cache = this.cache || new Map();
    if (this.cache.has(column.key)) return this.cache.get(column.key);
    const { n } = this.packed;
    const keys = new Float64Array(n);
    if (column.form === "text") {
      const compare = n > MANY_ROWS ? undefined : new Intl.Collator("en", { numeric: true }).compare;
      const distinct = new Set();
      for (let row = 0; row < n; row += 1) distinct.add(valueAt(this.packed, column.key, row));
      const place = new Map([...distinct].sort(compare).map((value, rank) => [value, rank]));
      for (let row = 0; row < n; row += 1) {
        const value = valueAt(this.packed, column.key, row);
        keys[row] = value === "" ? NaN : place.get(value);
      }
    } else {
      for (let row = 0; row < n; row += 1) {
        const value = valueAt(this.packed, column.key, row);
        keys[row] = value === null ? NaN : value;
      }
    }
    this.cache.set(column.key, keys);
    return keys;
  }

  cell(row, column) {
    const value = valueAt(this.packed, column.key, row);
    const text = show(this.packed, row, column);
    const facts = { role: "cell", "data-label": column.label };
    if (column.link && value) {
      const linked = this.places().has(value);
      return make("td", { class: "name", ...facts }, linked ? make("a", { href: sensorLink(value) }, text) : text);
    }
    facts.class = column.form === "number" || column.form === "chance" ? "right" : text.length > 24 ? "prose" : "brief";
    const unknown = column.key === "gas_test" ? text.startsWith("unknown") : text === "unknown";
    if (text === "–") facts.class += " none";
    const plain = facts.class !== "prose" && !unknown;
    if (plain) return make("td", facts, text);
    return make("td", facts, make("span", unknown ? { class: "unknown" } : {}, ...firm(text)));
  }

  draw(announce) {
    const pages = Math.max(1, Math.ceil(this.rows.length / this.size));
    this.page = Math.min(Math.max(this.page, 0), pages - 1);
    const first = this.page * this.size;
    const shown = this.rows.subarray(first, first + this.size);
    const lines = document.createDocumentFragment();
    for (const row of shown) lines.append(make("tr", { role: "row" }, ...this.packed.columns.map((column) => this.cell(row, column))));
    this.body.replaceChildren(lines);
    this.back.disabled = this.page === 0;
    this.next.disabled = this.page === pages - 1;
    this.back.hidden = this.next.hidden = this.packed.n <= this.size;
    const of = this.rows.length === this.packed.n ? "" : `, filtered from ${showNumber(this.packed.n, 0)}`;
    const range = shown.length ? `Rows ${showNumber(first + 1, 0)} to ${showNumber(first + shown.length, 0)} of ` : "No row of ";
    this.where.textContent = range + showNumber(shown.length ? this.rows.length : this.packed.n, 0) + (shown.length ? of : "");
    if (announce) say(this.where.textContent);
  }
}
