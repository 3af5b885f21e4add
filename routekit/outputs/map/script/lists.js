// Lists of strings, pits, digs, trees, open checks and findings beside that of runs. Each follows the
// filter of runs, can be narrowed by what is its own, sorted by each column, and taken away.

class Listing {
  /**
   * @param {string} name of its page and of its file
   * @param {{
   *   title: () => string, count: () => number, runsOf: (row: number) => number[] | null,
   *   columns: { name: string, words: () => string, value: (row: number) => any, cell?: (row: number) => any, isFigure?: boolean }[],
   *   facets: () => Facet[], note?: () => string, open?: (row: number) => void }} parts
   */
  constructor(name, parts) {
    this.name = name;
    this.parts = parts;
    this.by = 0;
    this.isDown = false;
    this.limit = LIST_STEP;
    /** @type {Facet[]} */
    this.facets = [];
    /** @type {number[]} */
    this.shown = [];
    this.isNarrow = false;
  }

  ready() {
    if (!this.facets.length) this.facets = this.parts.facets().map((facet) => facet.open(this.parts.count()));
    return this;
  }

  only(name, key) {
    for (const facet of this.ready().facets) {
      if (facet.name === name) facet.only(key);
      else facet.reset();
    }
    this.isNarrow = !isNarrow();
    this.rebuild();
  }

  reset() {
    for (const facet of this.facets) facet.reset();
    this.isNarrow = false;
    this.rebuild();
  }

  rebuild() {
    refreshPage(this.name);
  }

  // A thing that is at no run is listed while no run is left out.
  isAtShownRun(row) {
    if (study.shownCount === study.runs.n) return true;
    const runs = this.parts.runsOf(row);
    return runs !== null && runs.some((run) => study.isShown[run]);
  }

  countAtShownRuns() {
    let count = 0;
    for (let row = 0; row < this.parts.count(); row += 1) count += this.isAtShownRun(row) ? 1 : 0;
    return count;
  }

  rows() {
    const rows = [];
    for (let row = 0; row < this.parts.count(); row += 1) {
      if (this.isAtShownRun(row) && this.facets.every((facet) => facet.keeps(row))) rows.push(row);
    }
    const { value } = this.parts.columns[this.by];
    const sign = this.isDown ? -1 : 1;
    return rows.sort((a, b) => sign * compareValues(value(a), value(b)) || a - b);
  }

  build(page) {
    this.ready();
    const change = () => { this.isNarrow = true; this.rebuild(); };
    const facets = this.facets.map((facet) => facet.build(change));
    this.shown = this.rows();
    this.limit = LIST_STEP;
    page.replaceChildren(...compact([
      listLinks(this.name),
      make("h2", {}, this.parts.title()),
      this.parts.note?.() ? make("p", {}, this.parts.note()) : null,
      facets.some(Boolean) ? make("details", { class: "facets", open: this.isNarrow,
        ontoggle: (event) => { this.isNarrow = event.target.open; } },
      make("summary", {}, say("Filter this list")), make("div", { class: "facet-row" }, facets)) : null,
      make("div", { class: "list-tools" },
        make("p", { class: "list-count", role: "status" }, this.countWords()),
        this.isFiltered() ? make("button", { type: "button", onclick: () => { narrowing.reset(); this.reset(); } }, say("Clear all filters")) : null,
        make("button", { type: "button", class: "take-list", onclick: () => this.take() }, say("Download list (CSV)"))),
      this.table(),
    ]));
  }

  isFiltered() {
    return study.shownCount !== study.runs.n || this.facets.some((facet) => !facet.isWhole());
  }

  countWords() {
    const counts = { shown: sayNumber(this.shown.length), all: sayNumber(this.parts.count()) };
    return study.shownCount === study.runs.n ? say("Listed: {shown} of {all}.", counts)
      : say("Listed: {shown} of {all}; only what lies at the runs shown.", counts);
  }

  table() {
    const body = make("tbody", {});
    const more = make("button", { type: "button", onclick: () => this.grow(body, more) }, say("Show more"));
    this.grow(body, more, 0);
    return [make("div", { class: "table-frame", tabindex: "0", role: "group", "aria-label": this.parts.title() },
      make("table", { class: "list-table" }, make("caption", {}, this.parts.title()),
        make("thead", {}, make("tr", {}, this.parts.columns.map((column, i) => this.head(column, i)))), body)), more];
  }

  grow(body, more, start = body.childElementCount) {
    const stop = Math.min(start + LIST_STEP, this.shown.length);
    body.append(...this.shown.slice(start, stop).map((row) => this.line(row)));
    more.hidden = stop >= this.shown.length;
  }

  head(column, place) {
    const { name, words, isFigure } = column;
    const isHere = this.by === place;
    const sorted = this.isDown ? "descending" : "ascending";
    return make("th", { scope: "col", class: isFigure ? "figure" : null, "aria-sort": isHere ? sorted : null },
      make("button", { type: "button", class: "sorter", "data-sort": name, onclick: () => {
        this.isDown = isHere && !this.isDown;
        this.by = place;
        this.rebuild();
        /** @type {HTMLElement} */ (document.querySelector(`#page-${this.name} [data-sort=${name}]`)).focus();
      } }, words(), isHere ? (this.isDown ? " \u25be" : " \u25b4") : ""));
  }

  line(row) {
    return make("tr", {}, this.parts.columns.map(({ value, cell, isFigure }, i) => {
      const shown = cell ? cell(row) : value(row);
      return i === 0 ? make("th", { scope: "row" }, shown ?? notKnown())
        : make("td", { class: isFigure ? "figure" : null }, shown ?? notKnown());
    }));
  }

  take() {
    const { columns } = this.parts;
    const lines = this.shown.map((row) => columns.map(({ value }) => csvCell(value(row))).join(","));
    const head = columns.map(({ name }) => name).join(",");
    offerFile(fileName("csv", this.name), "text/csv", `\ufeff${[head, ...lines].join("\r\n")}\r\n`);
  }
}

// What is not known comes last upwards; numbers by size, texts by their words and numbers.
function compareValues(a, b) {
  if (a === b) return 0;
  if (a === null || a === "") return 1;
  if (b === null || b === "") return -1;
  return typeof a === "number" && typeof b === "number" ? a - b : ID_ORDER.compare(String(a), String(b));
}

// Column of a table: `name`, what stands above it, its decimals where it is a figure.
/** @param {string} table @param {string} name @param {() => string} words @param {number | null} [decimals] */
function columnOf(table, name, words, decimals = null) {
  const value = (row) => study[table].get(name, row);
  return decimals === null ? { name, words, value, cell: (row) => named(value(row)) }
    : { name, words, value, isFigure: true, cell: (row) => number(value(row), decimals) };
}

function openerOf(kind) {
  const [layer, id] = ID_COLUMNS[kind];
  return { name: id, words: TITLE_WORDS[kind], value: (row) => study[layer].get(id, row),
    cell: (row) => [linkTo(kind, String(study[layer].get(id, row))), deciding.badge(kind, row)] };
}

/** @type {Record<string, () => string>} */
const TITLE_WORDS = {
  string: () => say("String"), pit: () => say("Pit"), dig: () => say("Dig"), tree: () => say("Tree"),
};

const runsAt = (layer) => (row) => {
  const run = study.rows.run.get(String(study[layer].get("run_id", row)));
  return run === undefined ? [] : [run];
};
const runsOfTree = (tree) => [...new Set(study.breachesOfTree(tree).map((row) => study.breaches.get("run", row)))].filter((run) => run >= 0);

function streetColumn(runsOf) {
  return { name: "street", words: () => say("Street"), value: (row) => streetsOf(runsOf(row)).filter(Boolean).join("; ") || null };
}

const streetFacet = (runsOf) => new Facet("street", () => say("Street"), (row) => streetsOf(runsOf(row)), streetWord);

/** @param {string} table @param {string} name @param {() => string} title */
function toldFacet(table, name, title) {
  return new Facet(name.replaceAll("_", "-"), title, (row) => [toldKey(study[table].get(name, row))], toldWord, TOLD);
}

function toldColumn(table, name, words) {
  return { name, words, value: (row) => toldKey(study[table].get(name, row)),
    cell: (row) => toldWord(toldKey(study[table].get(name, row))) };
}

function balanceRow(tree) {
  const rows = study.balanceOfTree(tree);
  return rows.length ? rows[0] : null;
}

const balanceValue = (name) => (tree) => {
  const row = balanceRow(tree);
  return row === null ? null : study.tree_balance.get(name, row);
};
const worksSeverity = (tree) => study.trees.get("works_outcome", tree);
const isTouched = (tree) => (balanceRow(tree) === null ? false : balanceValue("is_touched")(tree));
const openCutSeverity = (tree) => (study.trees.get("n_runs", tree) ? study.trees.get("severity", tree) || "unknown" : study.trees.get("is_zone_known", tree) ? "none" : "unknown");

// What no table lists is nothing only where the zone is known.
const lossOf = (tree) => (balanceRow(tree) !== null ? balanceValue("loss_m2")(tree) : study.trees.get("is_zone_known", tree) ? 0 : null);

const harmWord = (code) => (code === "none" ? say("none") : codeWord("severity", code));

function severityColumn(name, words, severityOf) {
  return { name, words, value: (tree) => severityOf(tree), cell: (tree) => harmWord(severityOf(tree)) };
}

const ROWS_A_STEP = 2000;

// The checks that recommended techniques do not pass: one line for each check and verdict, gathered
// once, in steps between which the browser answers its reader.
async function gatherChecks() {
  const lines = new Map();
  const of = (name, row) => study.open_checks.get(name, row);
  for (let row = 0; row < study.open_checks.n; row += 1) {
    const [check, verdict, run] = [of("check", row), of("verdict", row), of("run", row)];
    const found = `${verdict}|${check}`;
    if (!lines.has(found)) lines.set(found, { check, verdict, runs: new Set() });
    if (run >= 0) lines.get(found).runs.add(run);
    if (row % ROWS_A_STEP === 0) await breathe();
  }
  study.checkLines = [...lines.values()];
}

const openChecks = () => study.checkLines;

/** @type {Record<string, Listing>} */
const lists = {
  strings: new Listing("strings", {
    title: () => say("Pull strings"), count: () => study.strings.n, runsOf: (row) => runsOfString(row),
    columns: [openerOf("string"), streetColumn((row) => runsOfString(row)),
      columnOf("strings", "length_m", () => say("Length, m"), 1),
      { name: "runs", words: () => say("Runs"), isFigure: true, value: (row) => runIdsOf(row).length },
      columnOf("strings", "pull_high_kn", () => say("Pull at most, kN"), 0),
      columnOf("strings", "allowable_kn", () => say("Allowable, kN"), 0),
      toldColumn("strings", "is_over_limit", () => say("Over a limit")),
      toldColumn("strings", "laydown_has_room", () => say("Room to lay it out"))],
    facets: () => [toldFacet("strings", "is_over_limit", () => say("Over a limit by an estimate")),
      toldFacet("strings", "laydown_has_room", () => say("Room to lay it out")),
      streetFacet((row) => runsOfString(row)), alertFacet("strings")],
  }),
  pits: new Listing("pits", {
    title: () => say("Pits"), count: () => study.pits.n, runsOf: runsAt("pits"),
    columns: [openerOf("pit"),
      { name: "role", words: () => say("Purpose"), value: (row) => study.pits.get("role", row), cell: (row) => pitName(row) },
      columnOf("pits", "manhole_id", () => say("At manhole")), streetColumn(runsAt("pits")),
      columnOf("pits", "depth_m", () => say("Depth, m"), 1),
      columnOf("pits", "zone_overlap_m2", () => say("In root zones, m\u00b2"), 2),
      toldColumn("pits", "is_free", () => say("Clear position"))],
    facets: () => [toldFacet("pits", "is_free", () => say("Clear position")),
      new Facet("role", () => say("Purpose"), (row) => [study.pits.get("role", row) || ""], (role) => (
        Object.hasOwn(PIT_NAMES, role) ? PIT_NAMES[role]() : say("pit"))),
      streetFacet(runsAt("pits")), alertFacet("pits")],
  }),
  digs: new Listing("digs", {
    title: () => say("Small digs and reopenings"), note: () => (connectionsLost() ? digCounts() : ""), count: () => study.digs.n, runsOf: runsAt("digs"),
    columns: [openerOf("dig"),
      { name: "kind", words: () => say("Purpose"), value: (row) => study.digs.get("kind", row), cell: (row) => codeWord("dig", study.digs.get("kind", row)) },
      { name: "method", words: () => say("Method"), value: (row) => study.digs.get("method", row), cell: (row) => codeWord("method", study.digs.get("method", row)) },
      columnOf("digs", "run_id", () => say("Run")), streetColumn(runsAt("digs")),
      columnOf("digs", "footprint_m2", () => say("Excavated, m\u00b2"), 1),
      columnOf("digs", "zone_overlap_m2", () => say("In root zones, m\u00b2"), 2)],
    facets: () => [toldFacet("digs", "opens_ground", () => say("Opens the ground")),
      new Facet("kind", () => say("Purpose"), (row) => [study.digs.get("kind", row)], (kind) => codeWord("dig", kind)),
      toldFacet("digs", "may_be_structural", () => say("May lie in a structural zone")),
      streetFacet(runsAt("digs")), alertFacet("digs")],
  }),
  trees: new Listing("trees", {
    title: () => say("Trees"), count: () => study.trees.n, runsOf: runsOfTree,
    columns: [openerOf("tree"), columnOf("trees", "species", () => say("Species")), streetColumn(runsOfTree),
      severityColumn("severity", () => say("Every run open cut"), openCutSeverity),
      severityColumn("works_severity", () => say("Recommended works"), worksSeverity),
      { name: "loss_m2", words: () => say("Zone taken, m\u00b2"), isFigure: true,
        value: lossOf, cell: (tree) => number(lossOf(tree), 2) }],
    facets: () => [
      new Facet("touched", () => say("Affected by the recommended works"), (tree) => [toldKey(isTouched(tree))], toldWord, TOLD),
      new Facet("severity", () => say("If every run were open cut"), (tree) => [openCutSeverity(tree)], harmWord, study.words.severities),
      toldFacet("trees", "is_protected", () => say("Protected")),
      streetFacet(runsOfTree), alertFacet("trees")],
  }),
  checks: new Listing("checks", {
    title: () => say("Checks not passed by the recommended technique"), count: () => openChecks().length,
    runsOf: (row) => [...openChecks()[row].runs],
    note: () => say("Each number leads to its runs."),
    columns: [
      { name: "check", words: () => say("Check"), value: (row) => openChecks()[row].check, cell: (row) => tell(nameStatement(openChecks()[row].check)) },
      { name: "verdict", words: () => say("Verdict"), value: (row) => openChecks()[row].verdict, cell: (row) => verdictMark(openChecks()[row].verdict) },
      { name: "runs", words: () => say("Runs"), isFigure: true, value: (row) => openChecks()[row].runs.size,
        cell: (row) => make("a", { href: placeHash("check", `${openChecks()[row].verdict}|${openChecks()[row].check}`) }, sayNumber(openChecks()[row].runs.size)) }],
    facets: () => [new Facet("verdict", () => say("Verdict"), (row) => [openChecks()[row].verdict], (code) => codeWord("verdict", code), study.words.verdicts)],
  }),
  findings: new Listing("findings", {
    title: () => say("Data findings"), count: () => study.findings.n,
    runsOf: (row) => {
      const run = study.rows.run.get(String(study.findings.get("row", row)));
      return run === undefined ? null : [run];
    },
    note: () => (study.findings.n
      ? sayMany("{n} finding: what was found in the input data and what was done about it.", "{n} findings: what was found in the input data and what was done about it.", { n: study.findings.n })
      : say("No problems were found in the input data.")),
    columns: [
      { name: "severity", words: () => say("Severity"), value: (row) => study.findings.get("severity", row), cell: (row) => codeWord("finding", study.findings.get("severity", row)) },
      { name: "where", words: () => say("Where"), value: (row) => study.findings.get("row", row), cell: (row) => [rowLink(study.findings.get("row", row)),
        make("span", { class: "remedy" }, make("code", {}, raw([study.findings.get("layer", row), study.findings.get("field", row)].filter(Boolean).join(", "))))] },
      { name: "seen", words: () => say("Found"), value: (row) => put(statementOf(study.findings, "seen", row)), cell: (row) => textOf(study.findings, "seen", row) },
      { name: "done", words: () => say("Action taken"), value: (row) => put(statementOf(study.findings, "done", row)), cell: (row) => textOf(study.findings, "done", row) }],
    facets: () => [
      new Facet("severity", () => say("Severity"), (row) => [study.findings.get("severity", row)], (code) => codeWord("finding", code), ["error", "warning", "info"]),
      new Facet("layer", () => say("Layer"), (row) => [study.findings.get("layer", row) || ""], (layer) => layer || notKnown())],
  }),
};

// Links to all lists, with how many each holds.
function listLinks(here) {
  /** @type {[string, string, number][]} */
  const all = [["runs", say("Runs"), study.runs.n], ["strings", say("Strings"), study.strings.n], ["pits", say("Pits"), study.pits.n],
    ["digs", say("Digs"), study.digs.n], ["trees", say("Trees"), study.trees.n], ["checks", say("Open checks"), openChecks().length],
    ["findings", say("Findings"), study.findings.n]];
  return make("nav", { class: "list-links", "aria-label": say("Lists") }, all.map(([name, words, n]) => (
    make("a", { href: `#page=${name}`, "aria-current": name === here ? "page" : null }, words, " ", make("span", { class: "count" }, sayNumber(n))))));
}
