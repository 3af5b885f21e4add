// Page elements, numbers and words. Text of the study enters the page here and nowhere else,
// always as text.

const SVG_SPACE = "http://www.w3.org/2000/svg";

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

// A text of the study's tables, such as a statement in a column `..._words`, for the page. What the
// chosen language does not say stands in English, and says so.
/** @param {any} statement */
function tell(statement) {
  const text = put(statement);
  return isSaid(statement) ? raw(text) : make("span", { lang: "en" }, raw(text));
}

/**
 * Whether the chosen language has the sentences of a statement.
 * @param {any} statement
 * @returns {boolean}
 */
function isSaid(statement) {
  if (tongue.language === "en" || !Array.isArray(statement)) return true;
  const [one, values = {}, , context = ""] = statement;
  if (one === "") return values.parts.every(isSaid);
  const isKnown = one === "^" || (context ? `${context}\n${one}` : one) in tongue.messages;
  return isKnown && Object.values(values).every(isSaid);
}

// The statement of a text: that of the column beside it, else its English as a message.
function statementOf(table, name, row) {
  const words = table.get(`${name}_words`, row);
  if (words) return JSON.parse(words);
  const english = table.get(name, row);
  return english === null || english === "" ? "" : [String(english)];
}

// The text of a column in the chosen language, for the page; blank where there is none.
function textOf(table, name, row) {
  const statement = statementOf(table, name, row);
  return statement === "" ? "" : tell(statement);
}

const notKnown = () => say("not known");

function number(value, decimals = 2) {
  if (value === null || value === undefined || Number.isNaN(value)) return notKnown();
  return writeNumber(Number(value.toFixed(decimals)).toString()).replace("-", "\u2212");
}

function quantity(value, unit, decimals = 2) {
  if (value === null || value === undefined) return notKnown();
  return `${number(value, decimals)}\u00a0${unit}`;
}

function percent(share) {
  return share === null || share === undefined ? notKnown() : `${number(100 * share, 1)}\u00a0%`;
}

// Width by height where they differ, else one size, in mm.
function boreText(width, height) {
  if (width === null || !height || height === width) return quantity(width, "mm", 0);
  return `${number(width, 0)} \u00d7 ${quantity(height, "mm", 0)}`;
}

function yesNo(value) {
  if (value === null || value === undefined) return notKnown();
  return value ? say("yes") : say("no");
}

// A name of the data, such as a species, exactly as it is kept.
function named(value) {
  return value === null || value === undefined || value === "" ? notKnown() : String(value);
}

// Names and texts exactly as they are kept; nothing where there is none. They may break after
// an underscore, which leaves the text as it is.
function raw(value) {
  if (value === null || value === undefined) return "";
  return String(value).split(/(?<=_)/).flatMap((part, i) => (i ? [make("wbr"), part] : [part]));
}

// A fact, or nothing where there is no text.
const factOf = (label, text) => (text ? [label, text] : null);

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
      make("thead", {}, make("tr", {}, heads.map((head) => (head ? make("th", { scope: "col" }, head) : make("td"))))),
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
