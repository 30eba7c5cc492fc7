"use strict";
// Reading the page's own data and writing values the way the rest of the report does: ISO dates, thin spaces, no guessing.

const readStore = (id) => JSON.parse(document.getElementById(id).textContent);

const isoDay = (day) => new Date(day * 86400000).toISOString().slice(0, 10);

function showNumber(value, decimals) {
  const [whole, part] = Math.abs(value).toFixed(decimals).split(".");
  const grouped = whole.replace(/\B(?=(\d{3})+$)/g, "\u202f");
  const sign = value < 0 && Number(value.toFixed(decimals)) !== 0 ? "-" : "";
  return sign + grouped + (part ? "." + part : "");
}

function showChance(value) {
  if (value < 0.01) return "below 1 %";
  if (value > 0.99) return "above 99 %";
  return `${(value * 100).toFixed(0)} %`;
}

// The value of one cell: text columns with many repeats are stored as a list of values and a code per row.
function valueAt(table, key, row) {
  const column = table.data[key];
  return column.codes ? column.values[column.codes[row]] : column[row];
}

// One value as text; an interval's ends follow in brackets where the column has them.
function show(table, row, column) {
  const value = valueAt(table, column.key, row);
  if (value === null || value === "") return column.empty;
  if (column.form === "date") return isoDay(value);
  if (column.form === "month") return isoDay(value).slice(0, 7);
  if (column.form === "flag") return value ? "yes" : "no";
  if (column.form === "chance") return showChance(value);
  if (column.form !== "number") return value;
  const text = showNumber(value, column.decimals);
  const ends = [column.low, column.high].filter(Boolean).map((end) => table.data[end][row]);
  if (!ends.length || ends.includes(null)) return text;
  return `${text} (${ends.map((end) => showNumber(end, column.end_decimals)).join(" to ")})`;
}

// An element with attributes and children; strings become text, never markup.
function make(name, attributes, ...children) {
  const element = document.createElement(name);
  for (const [key, value] of Object.entries(attributes || {})) element.setAttribute(key, value);
  element.append(...children);
  return element;
}

// A text as children of an element: no line ends inside a date, or between a number and its sign.
function firm(text) {
  const parts = text.replaceAll(/(\d) %/g, "$1\u00a0%").split(/(\d{4}-\d{2}-\d{2})/);
  return parts.map((part, place) => (place % 2 ? make("time", {}, part) : part)).filter((part) => part !== "");
}

const say = (text) => { document.getElementById("said").textContent = text; };

const sensorLink = (id) => "#sensor=" + encodeURIComponent(id);
