// Which runs are shown: what is ticked in the key and on the page «Filter». Every list follows.

const narrowing = {
  /** @type {Facet[]} */
  facets: [],
  least: null, most: null, openOnly: false, renewOnly: false,

  async open() {
    for (const facet of runFacets()) {
      this.facets.push(facet.open(study.runs.n));
      await breathe();
    }
  },

  /** @param {string} name @returns {Facet} */
  of(name) {
    return /** @type {Facet} */ (this.facets.find((facet) => facet.name === name));
  },

  keeps(run) {
    const of = (name) => study.runs.get(name, run);
    if (!this.facets.every((facet) => facet.keeps(run))) return false;
    const size = of("diameter_mm");
    if (this.least !== null && !(size >= this.least)) return false;
    if (this.most !== null && !(size !== null && size <= this.most)) return false;
    if (this.openOnly && !of("is_to_confirm")) return false;
    return !(this.renewOnly && !of("renew"));
  },

  apply() {
    let count = 0;
    for (let run = 0; run < study.runs.n; run += 1) {
      study.isShown[run] = this.keeps(run) ? 1 : 0;
      count += study.isShown[run];
    }
    study.shownCount = count;
    plan.redraw();
    schedule.refresh();
    key.refresh();
    for (const list of Object.values(lists)) list.rebuild();
    if (byId("filter-note")) byId("filter-note").textContent = shownWords();
    refreshPage("totals");
  },

  set(name, value, isOn) {
    this.of(name).set(value, isOn);
    this.rebuild();
  },

  only(name, value) {
    this.of(name).only(value);
    this.rebuild();
  },

  rebuild() {
    if (byId("filter-note")) this.build(byId("page-filter"));
    this.apply();
  },

  reset() {
    for (const facet of this.facets) facet.reset();
    Object.assign(this, { least: null, most: null, openOnly: false, renewOnly: false });
    this.rebuild();
  },

  build(page) {
    const change = () => this.rebuild();
    page.replaceChildren(...compact([
      make("h2", {}, say("Filter runs")),
      make("p", { id: "filter-note", role: "status" }, shownWords()),
      this.checkLine(),
      make("p", {}, make("button", { type: "button", onclick: () => this.reset() }, say("Clear all filters"))),
      this.facets.filter((facet) => facet.name !== "check").map((facet) => facet.build(change)),
      this.sizes(),
      make("fieldset", {}, make("legend", {}, say("Show only runs")),
        this.tick(say("with items to confirm on site"), this.openOnly, (isOn) => { this.openOnly = isOn; }),
        study.runs.has("renew") ? this.tick(say("marked for renewal in the input"), this.renewOnly,
          (isOn) => { this.renewOnly = isOn; }) : null),
    ]));
  },

  // Checks are chosen in their list, which has a line for each.
  checkLine() {
    if (this.of("check").isWhole()) return null;
    return make("p", {}, say("Only runs with this check:"), " ", [...this.of("check").chosen].map((found) => this.of("check").wordsOf(found)).join("; "));
  },

  tick(words, isOn, change) {
    return make("label", {}, make("input", { type: "checkbox", checked: isOn,
      onchange: (event) => { change(event.target.checked); this.apply(); } }), ` ${words}`);
  },

  sizes() {
    const sizes = study.runs.words("diameter_mm").filter((size) => size !== null)
      .sort((a, b) => a - b);
    const choose = (id, words, name) => make("label", { for: id }, `${words} `,
      make("select", { id, onchange: (event) => {
        this[name] = event.target.value === "" ? null : Number(event.target.value);
        this.apply();
      } }, make("option", { value: "" }, say("any")), sizes.map((size) => (
        make("option", { value: size, selected: this[name] === size }, `DN ${number(size)}`)))));
    return make("fieldset", {}, make("legend", {}, say("Bore of the old pipe")),
      choose("size-least", say("at least"), "least"), choose("size-most", say("at most"), "most"));
  },
};

/** @returns {Facet[]} */
function runFacets() {
  const one = (name) => (run) => [study.runs.get(name, run) || ""];
  const checksOf = study.open_checks.groupBy("run", study.runs.n);
  return [
    new Facet("technique", () => say("Recommended"), one("technique"), techniqueName, Object.keys(study.palette.techniques)),
    new Facet("severity", () => say("Severity of open cut"), one("severity"), severityName, Object.keys(study.palette.severities)),
    new Facet("street", () => say("Street"), one("street"), streetWord),
    new Facet("standing", () => say("Inspection and decision"), one("standing"), (code) => codeWord("stand", code), Object.keys(CODES.stand)),
    new Facet("sureness", () => say("How sure the recommendation is"), one("sureness"), (code) => (code ? codeWord("sureness", code) : say("not asked for")), Object.keys(CODES.sureness)),
    new Facet("material", () => say("Material of the old pipe"), one("material"), (code) => codeWord("material", code)),
    alertFacet("runs", (run) => alerts.codesOfRun(run)),
    new Facet("check", () => say("Check"), (run) => {
      const rows = checksOf(run).map((row) => `${study.open_checks.get("verdict", row)}|${study.open_checks.get("check", row)}`);
      return rows.length ? rows : [""];
    }, (found) => (found ? say("{check}: {verdict}", { check: word(found.slice(found.indexOf("|") + 1)), verdict: codeWord("verdict", found.split("|")[0]) }) : say("none"))),
  ];
}

function shownWords() {
  const all = study.runs.n;
  return study.shownCount === all ? say("Runs shown: all {all}.", { all })
    : say("Runs shown: {shown} of {all}; the rest are thin grey lines.", { shown: study.shownCount, all });
}
