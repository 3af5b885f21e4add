// The page for residents: map, search, languages and the card of what was tapped.
// Text reaches the screen as text only, and nothing is fetched.

const TOPICS = ["short", "when", "felled", "works", "pits", "home", "trees", "parking", "traffic", "noise"];
const BACKDROP = {
  carriageway: "#ffffff",
  footway: "#f4f0e6",
  cycleway: "#f6e4dc",
  parking: "#e4eaf3",
  verge: "#e5efd4",
  planting: "#dbe9c3",
  building: "#e3dbcd",
};
const FINGER_PX = 22;
const CLOSE_ZOOM = 19;
const STREET_ZOOM = 19;
const NAMES_ZOOM = 16;
const MOST_HITS = 6;
const DIGS_ZOOM = 18;
const LEAST_PIXELS_A_M = 3;
const LINES_A_STROKE = 50;
const LEAST_STREET_PX = 24;
const LONGEST_NAME = 26;
const NAME_PX = 13;
const NAME_GAP_PX = 14;
const NAME_PLACES = [0.5, 0.25, 0.75, 0, 1];
const MOST_RUNS_TRIED = 6;
const LEAST_SYMBOL_PX = 7;
const TINY_PX = 4;
const PRINT_CM = { width: "17cm", height: "9cm" };
const PRINT_ONE_CM = { width: "17cm", height: "6cm" };

// An element of the page's own template, which a test holds the names to.
/** @type {(id: string) => any} */
const byId = (id) => document.getElementById(id);

/** @type {(selector: string) => any[]} */
const elementsWith = (selector) => [...document.querySelectorAll(selector)];

let page = null;
let study = null;
let words = null;
let map = null;
let canvas = null;
let chosen = null;
let printed = null;

function make(tag, attributes = {}, text = null) {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
  if (text !== null) element.textContent = text;
  return element;
}

function write(value) {
  if (Array.isArray(value)) return say(value);
  if (typeof value === "string") return value;
  if (typeof value === "object") return spellDay(value.day);
  const [whole, part] = String(value).split(".");
  const grouped = Math.abs(value) < words.thousands_from
    ? whole : whole.replace(/\B(?=(\d{3})+$)/g, words.thousands);
  return part ? grouped + words.decimal + part : grouped;
}

/** @param {any[]} statement `[topic, key, values]` */
function say([topic, key, values = {}]) {
  let template = words[topic][key];
  if (typeof template !== "string") {
    template = template[new Intl.PluralRules(words.language).select(values.n)];
  }
  return template.replace(/\{(\w+)\}/g, (_, name) => write(values[name]));
}

// YYYY-MM-DD in words.
function spellDay(date) {
  const [year, month, day] = date.split("-").map(Number);
  const written = (day === 1 ? words.first_day : "{d}").replace("{d}", day);
  const values = { d: written, m: words.months[month - 1], y: year };
  return words.day.replace(/\{(\w+)\}/g, (_, name) => values[name]);
}

const plain = (text) => text.normalize("NFD").replace(/\p{M}/gu, "").toLowerCase();

// How many letters must be changed, added or left out to make the word out of some part of a name.
function countSlips(word, name) {
  let row = new Array(name.length + 1).fill(0);
  for (const letter of word) {
    const next = [row[0] + 1];
    for (let at = 0; at < name.length; at += 1) {
      next.push(Math.min(row[at] + (name[at] === letter ? 0 : 1), row[at + 1] + 1, next[at] + 1));
    }
    row = next;
  }
  return Math.min(...row);
}

// Names in which what was typed stands but for a third of its letters, the most alike first.
function findSimilar(wanted, names) {
  const most = Math.floor(wanted.length / 3);
  return names
    .map((name, at) => ({ at, slips: countSlips(wanted, name) }))
    .filter(({ slips }) => slips <= most)
    .sort((a, b) => a.slips - b.slips || a.at - b.at)
    .map(({ at }) => at);
}

// The language of the reader's browser where the page has it, else that of the study.
function browserLanguage() {
  const codes = navigator.languages.map((tag) => tag.split("-")[0].toLowerCase());
  return codes.find((code) => Object.hasOwn(page.languages, code)) ?? page.first;
}

const ui = (key, id) => say(["ui", key, { id }]);

function streetTitle(street) {
  const label = page.streets.label[street];
  return page.streets.named[street] ? label : ui("area", label);
}

function speak(code) {
  words = page.languages[code];
  document.documentElement.lang = code;
  byId("language").value = code;
  for (const element of elementsWith("[data-ui]")) {
    element.textContent = words.ui[element.dataset.ui];
  }
  for (const [name, topic] of [["legend", "legend"], ["caution", "cautions"], ["topic", "topic"]]) {
    for (const element of elementsWith(`[data-${name}]`)) {
      element.textContent = words[topic][element.dataset[name]];
    }
  }
  for (const element of elementsWith("[data-genus]")) {
    element.textContent = page.genera[code][element.dataset.genus];
  }
  const [date] = elementsWith("[data-date]");
  if (date) date.textContent = ui("date", spellDay(date.dataset.date));
  elementsWith("[data-title]")[0].textContent = page.titles[code];
  const [intro] = elementsWith("[data-intro]");
  if (intro) {
    intro.textContent = page.intros[code];
    intro.hidden = !page.intros[code];
  }
  page.streets.label.forEach((_, street) => sayStreet(street));
  document.title = `${page.titles[code]} · ${words.ui.heading}`;
  narrowList();
  if (chosen) showCard(false);
}

// Sentences in the order in which the HTML holds them: topic by topic.
function sayStreet(street) {
  const folded = byId(`s${street}`);
  folded.querySelector(".plate").textContent = streetTitle(street);
  const said = page.streets.said[street];
  const ordered = TOPICS.flatMap((topic) => said.filter((one) => one[0] === topic));
  folded.querySelectorAll(".line").forEach((line, at) => {
    line.textContent = say(ordered[at]);
  });
  const ask = folded.querySelector(".ask");
  const link = ask.querySelector(".write");
  const number = ask.dataset.numbers;
  if (link) fillLink(link, number, `${streetTitle(street)} (${number})`);
}
