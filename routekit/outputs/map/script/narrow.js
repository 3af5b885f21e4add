// Which runs are shown: what is ticked in the key and on the page «Filter».

const narrowing = {
  technique: new Set(), severity: new Set(), material: new Set(),
  least: null, most: null, openOnly: false, renewOnly: false,

  open() {
    for (const name of ["technique", "severity", "material"]) {
      for (const value of study.runs.words(name)) this[name].add(value || "");
    }
  },

  keeps(run) {
    const of = (name) => study.runs.get(name, run);
    for (const name of ["technique", "severity", "material"]) {
      if (!this[name].has(of(name) || "")) return false;
    }
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
    if (byId("filter-note")) byId("filter-note").textContent = shownWords();
  },

  set(name, value, isOn) {
    if (isOn) this[name].add(value);
    else this[name].delete(value);
    if (byId("filter-note")) this.build(byId("page-filter"));
    this.apply();
  },

  reset() {
    this.open();
    Object.assign(this, { least: null, most: null, openOnly: false, renewOnly: false });
    this.build(byId("page-filter"));
    this.apply();
  },

  build(page) {
    page.replaceChildren(
      make("h2", {}, say("Filter runs")),
      make("p", { id: "filter-note", role: "status" }, shownWords()),
      this.ticks(say("Recommended"), "technique", techniqueName, Object.keys(study.palette.techniques)),
      this.ticks(say("Severity of open cut"), "severity", severityName, Object.keys(study.palette.severities)),
      this.ticks(say("Material of the old pipe"), "material", (code) => codeWord("material", code), null),
      this.sizes(),
      make("fieldset", {}, make("legend", {}, say("Show only runs")),
        this.tick(say("with items to confirm on site"), this.openOnly, (isOn) => { this.openOnly = isOn; }),
        study.runs.has("renew") ? this.tick(say("marked for renewal in the input"), this.renewOnly,
          (isOn) => { this.renewOnly = isOn; }) : null),
      make("p", {}, make("button", { type: "button", onclick: () => this.reset() }, say("Clear all filters"))),
    );
  },

  tick(words, isOn, change) {
    return make("label", {}, make("input", { type: "checkbox", checked: isOn,
      onchange: (event) => { change(event.target.checked); this.apply(); } }), ` ${words}`);
  },

  ticks(title, name, wordsOf, order) {
    const counts = countBy(name);
    const values = order ? order.filter((value) => counts.has(value))
      : [...counts.keys()].sort((a, b) => wordsOf(a).localeCompare(wordsOf(b), tongue.language));
    for (const value of counts.keys()) if (!values.includes(value)) values.push(value);
    return make("fieldset", { class: `narrow-${name}` }, make("legend", {}, title), values.map((value) => (
      this.tick(`${wordsOf(value)} (${number(counts.get(value))})`, this[name].has(value), (isOn) => {
        if (isOn) this[name].add(value);
        else this[name].delete(value);
      }))));
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

function countBy(name) {
  const counts = new Map();
  for (let run = 0; run < study.runs.n; run += 1) {
    const value = study.runs.get(name, run) || "";
    counts.set(value, (counts.get(value) || 0) + 1);
  }
  return counts;
}

function shownWords() {
  const all = study.runs.n;
  return study.shownCount === all ? say("Runs shown: all {all}.", { all })
    : say("Runs shown: {shown} of {all}; the rest are thin grey lines.", { shown: study.shownCount, all });
}
