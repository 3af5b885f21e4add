// Page elements, numbers and words. Text of the study enters the page here and nowhere else,
// always as text.

const SVG_SPACE = "http://www.w3.org/2000/svg";
const NOT_KNOWN = "not known";

function fill(element, attributes, children) {
  for (const [name, value] of Object.entries(attributes || {})) {
    if (name.startsWith("on")) element.addEventListener(name.slice(2), value);
    else if (value === true) element.setAttribute(name, "");
    else if (value !== false && value !== null && value !== undefined) {
      element.setAttribute(name, String(value));
    }
  }
  for (const child of [children].flat(Infinity)) {
    if (child === null || child === undefined || child === "") continue;
    element.append(child instanceof Node ? child : document.createTextNode(String(child)));
  }
  return element;
}

function make(tag, attributes, ...children) {
  return fill(document.createElement(tag), attributes, children);
}

function makeSvg(tag, attributes, ...children) {
  return fill(document.createElementNS(SVG_SPACE, tag), attributes, children);
}

// An element of the page's own template, which a test holds the names to.
/** @param {string} id @returns {any} */
function byId(id) {
  return document.getElementById(id);
}

function number(value, decimals = 2) {
  if (value === null || value === undefined || Number.isNaN(value)) return NOT_KNOWN;
  return Number(value.toFixed(decimals)).toString().replace("-", "\u2212");
}

function quantity(value, unit, decimals = 2) {
  if (value === null || value === undefined) return NOT_KNOWN;
  return `${number(value, decimals)}\u00a0${unit}`;
}

function percent(share) {
  return share === null || share === undefined ? NOT_KNOWN : `${number(100 * share, 1)}\u00a0%`;
}

// Width by height where they differ, else one size; `shrink` is what both lose, in mm.
function boreText(width, height, shrink = 0) {
  if (width === null || !height || height === width + shrink) return quantity(width, "mm", 0);
  return `${number(width, 0)} \u00d7 ${quantity(height - shrink, "mm", 0)}`;
}

function counted(count, word) {
  return `${count} ${word}${count === 1 ? "" : "s"}`;
}

function yesNo(value) {
  if (value === null || value === undefined) return NOT_KNOWN;
  return value ? "yes" : "no";
}

function said(value) {
  return value === null || value === undefined || value === "" ? NOT_KNOWN : plain(value);
}

// An id exactly as it is kept.
function named(id) {
  return id === null || id === undefined || id === "" ? NOT_KNOWN : String(id);
}

// Names and texts exactly as they are kept; nothing where there is none. They may break after
// an underscore, which leaves the text as it is.
function raw(value) {
  if (value === null || value === undefined) return "";
  return String(value).split(/(?<=_)/).flatMap((part, i) => (i ? [make("wbr"), part] : [part]));
}

function capital(words) {
  return words.slice(0, 1).toUpperCase() + words.slice(1);
}

// Words of the trade's own code lists are stored with underscores.
function plain(value) {
  return typeof value === "string" ? value.replaceAll("_", " ") : String(value);
}

// End of a name, unit, and how the value is written where that is not number and unit.
/** @type {[string, string, ((share: number) => string) | null][]} */
const UNITS = [
  ["_share", "", percent],
  ["_m2", "m\u00b2", null],
  ["_m3", "m\u00b3", null],
  ["_mm", "mm", null],
  ["_kn", "kN", null],
  ["_l_s", "l/s", null],
  ["_deg", "\u00b0", null],
  ["_m", "m", null],
];

// Any named value as a label and a text, by the unit in its name.
function nameAndValue(name, value) {
  const found = UNITS.find(([end]) => name.endsWith(end));
  const label = plain(found ? name.slice(0, -found[0].length) : name).replace(/^(is|has|n) /, "");
  if (found && typeof value === "number") {
    return [label, found[2] ? found[2](value) : quantity(value, found[1])];
  }
  if (/^(is|has)_/.test(name)) return [label, yesNo(value)];
  return [label, typeof value === "number" ? number(value, 4) : said(value)];
}

// A list of facts: [label, text or element]; entries that are null are left out.
function factList(facts) {
  return make("dl", { class: "facts" }, facts.filter(Boolean).map(([label, value]) => [
    make("dt", {}, label),
    make("dd", {}, value),
  ]));
}

// A table with headed columns; `rows` hold texts or elements.
function dataTable(caption, heads, rows, attributes = {}) {
  return make("div", { class: "table-frame", tabindex: "0", role: "group", "aria-label": caption },
    make("table", { ...attributes, class: heads.length > 4 ? "stacks" : null },
      make("caption", {}, caption),
      make("thead", {}, make("tr", {}, heads.map((head) => make("th", { scope: "col" }, head)))),
      make("tbody", {}, rows.map((row) => make("tr", {}, row.map((cell, i) => (
        i === 0 ? make("th", { scope: "row" }, cell) : make("td", { "data-head": heads[i] }, cell)
      )))))));
}

function linkTo(kind, id, text) {
  return make("a", { href: placeHash(kind, id) }, text === undefined ? id : text);
}

function placeHash(kind, id) {
  return `#${kind}=${encodeURIComponent(id)}`;
}

function offerFile(name, type, text) {
  const address = URL.createObjectURL(new Blob([text], { type }));
  const link = make("a", { href: address, download: name, hidden: true });
  document.body.append(link);
  link.click();
  link.remove();
  setTimeout(() => URL.revokeObjectURL(address), 10000);
}
