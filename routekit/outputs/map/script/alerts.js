// Alerts as the study holds them: what is the matter with which things, and at which runs.

const alerts = {
  byCode: new Map(), byThing: new Map(), byRun: new Map(),

  open() {
    const of = (name, row) => study.alerts.get(name, row);
    for (let row = 0; row < study.alerts.n; row += 1) {
      const [code, about, item] = [of("alert", row), of("about", row), of("item", row)];
      if (!this.byCode.has(code)) this.byCode.set(code, { about, row, items: new Set(), runs: new Set() });
      const found = this.byCode.get(code);
      found.items.add(item);
      if (of("run", row) >= 0) found.runs.add(of("run", row));
      this.note(this.byThing, `${about} ${item}`, code);
      this.note(this.byRun, of("run", row), code);
    }
  },

  note(groups, name, code) {
    if (!groups.has(name)) groups.set(name, []);
    if (!groups.get(name).includes(code)) groups.get(name).push(code);
  },

  codes() {
    return this.ordered().map(([code]) => code);
  },

  // By kind, as the study lists them: rules not kept, not known, decided.
  ordered() {
    const rank = (found) => study.alerts.get("rank", found.row);
    return [...this.byCode].sort((a, b) => rank(a[1]) - rank(b[1]));
  },

  codesOf(about, row) {
    return this.byThing.get(`${about} ${row}`) || [""];
  },

  // Those of its strings, pits, digs and trees too.
  codesOfRun(run) {
    return this.byRun.get(run) || [""];
  },

  textOf(code) {
    return put(["^", { t: statementOf(study.alerts, "text", this.byCode.get(code).row) }]);
  },

  kindOf(code) {
    return put(["^", { t: statementOf(study.alerts, "kind", this.byCode.get(code).row) }]);
  },

  // In a list of other things what it is raised for stands before it: two may say the same.
  nameIn(about, code) {
    const isOwn = this.byCode.get(code).about === about;
    return isOwn ? this.textOf(code) : `${this.countOf(code)} \u2013 ${this.textOf(code)}`;
  },

  countOf(code) {
    const { about, items } = this.byCode.get(code);
    return THINGS[about](items.size);
  },

  // Each a link to the list of what it is raised for.
  build() {
    const codes = this.codes();
    if (!codes.length) return null;
    const kinds = [...new Set(codes.map((code) => this.kindOf(code)))];
    return make("section", { id: "alerts" }, make("h3", {}, say("Alerts")), kinds.map((kind) => [
      make("p", { class: "alert-kind" }, kind),
      make("ul", { class: "alerts" }, codes.filter((code) => this.kindOf(code) === kind).map((code) => (
        make("li", {}, make("a", { href: placeHash("alert", code) }, this.countOf(code)), " ", this.textOf(code)))))]));
  },

  // Shows the list of the things of an alert, and nothing else in it.
  show(code) {
    const found = this.byCode.get(code);
    if (!found) return "runs";
    narrowing.reset();
    if (found.about === "runs") {
      narrowing.only("alert", code);
      schedule.fold();
      return "runs";
    }
    lists[found.about].only("alert", code);
    return found.about;
  },
};

/** @type {Record<string, (n: number) => string>} */
const THINGS = {
  runs: (n) => sayMany("{n} run", "{n} runs", { n }),
  strings: (n) => sayMany("{n} string", "{n} strings", { n }),
  pits: (n) => sayMany("{n} pit", "{n} pits", { n }),
  digs: (n) => sayMany("{n} dig", "{n} digs", { n }),
  trees: (n) => sayMany("{n} tree", "{n} trees", { n }),
};
