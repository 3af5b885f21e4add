// What a list can be narrowed by: each value is a tick box with its count, and «only this» beside it.

class Facet {
  /**
   * @param {string} name
   * @param {() => string} title
   * @param {(row: number) => any[]} keysOf what a row is kept by: it stays while one of them is ticked
   * @param {(key: any) => string} wordsOf
   * @param {any[] | null} [order] of the keys; else that of their words
   */
  constructor(name, title, keysOf, wordsOf, order = null) {
    this.name = name;
    this.title = title;
    this.keysOf = keysOf;
    this.wordsOf = wordsOf;
    this.order = order;
    this.counts = new Map();
    this.chosen = new Set();
  }

  open(count) {
    this.counts = new Map();
    for (let row = 0; row < count; row += 1) {
      for (const key of this.keysOf(row)) this.counts.set(key, (this.counts.get(key) || 0) + 1);
    }
    this.reset();
    return this;
  }

  reset() {
    this.chosen = new Set(this.counts.keys());
  }

  isWhole() {
    return this.chosen.size === this.counts.size;
  }

  keeps(row) {
    return this.isWhole() || this.keysOf(row).some((key) => this.chosen.has(key));
  }

  set(key, isOn) {
    if (isOn) this.chosen.add(key);
    else this.chosen.delete(key);
  }

  only(key) {
    this.chosen = new Set([key]);
  }

  keys() {
    const all = [...this.counts.keys()];
    const known = (this.order || []).filter((key) => this.counts.has(key));
    const rest = all.filter((key) => !known.includes(key));
    return [...known, ...rest.sort((a, b) => this.wordsOf(a).localeCompare(this.wordsOf(b), tongue.language))];
  }

  // Nothing to choose from where all rows are alike.
  build(change) {
    if (this.counts.size < 2) return null;
    return make("fieldset", { class: `facet narrow-${this.name}` }, make("legend", {}, this.title()),
      this.keys().map((key) => this.line(key, change)));
  }

  line(key, change) {
    const words = `${this.wordsOf(key)} (${number(this.counts.get(key))})`;
    return make("div", { class: "facet-line" },
      make("label", {}, make("input", { type: "checkbox", checked: this.chosen.has(key),
        onchange: (event) => { this.set(key, event.target.checked); change(); } }), ` ${words}`),
      make("button", { type: "button", class: "only", "aria-label": say("only {what}", { what: this.wordsOf(key) }),
        onclick: () => { this.only(key); change(); } }, say("only this")));
  }
}

const toldWord = (value) => ({ yes: say("yes"), no: say("no"), unknown: notKnown() })[value];
const TOLD = ["yes", "no", "unknown"];

// A flag that may be missing, as a key.
function toldKey(value) {
  if (value === null || value === undefined) return "unknown";
  return value ? "yes" : "no";
}

const streetsOf = (runs) => {
  const names = [...new Set(runs.map((run) => study.runs.get("street", run) || ""))];
  return names.length ? names.sort() : [""];
};
const streetWord = (name) => name || say("street not known");

// What is told of a thing: the codes of its alerts, or "" for none.
function alertFacet(about, codesOf = (row) => alerts.codesOf(about, row)) {
  return new Facet("alert", () => say("Alert"), codesOf, (code) => (code ? alerts.nameIn(about, code) : say("none")), alerts.codes());
}
