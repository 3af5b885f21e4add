// The list of runs, in step with the plan: the plan in words for whoever cannot see it.

const LIST_STEP = 150;
const LINES_AT_ONCE = 30;
/** @type {{ name: string, words: () => string, isWide?: boolean }[]} */
const SORTS = [
  { name: "run_id", words: () => say("Run") },
  { name: "technique", words: () => say("Recommended") },
  { name: "diameter_mm", words: () => say("Bore, mm") },
  { name: "severity", words: () => say("Severity") },
  { name: "n_trees", words: () => say("Trees") },
  { name: "length_m", words: () => "m" },
  { name: "street", words: () => say("Street"), isWide: true },
  { name: "cost_mid", words: () => costHead(), isWide: true },
  { name: "sureness", words: () => say("How sure"), isWide: true },
];

const schedule = {
  by: "run_id", isDown: false, inSight: false, limit: LIST_STEP, isTold: true, round: 0,

  build(page) {
    page.replaceChildren(...compact([
      listLinks("runs"),
      make("h2", {}, say("Runs")),
      make("details", { class: "overview", open: this.isTold, ontoggle: (event) => { this.isTold = event.target.open; } },
        make("summary", {}, say("Overview and alerts")), make("div", { id: "overview" }, overview()), alerts.build()),
      make("div", { class: "list-tools" },
        make("label", {}, make("input", { type: "checkbox", id: "in-sight", checked: this.inSight,
          onchange: (event) => { this.inSight = event.target.checked; this.refresh(); } }),
        " ", say("only runs in view")),
        make("button", { type: "button", id: "take-csv", onclick: () => takeaway.csv() }, say("Download list (CSV)")),
        make("button", { type: "button", id: "take-geojson", onclick: () => takeaway.geojson() }, say("Download lines (GeoJSON)"))),
      make("p", { id: "list-note", role: "status" }),
      make("table", { id: "run-list" },
        make("caption", { class: "unseen" }, say("Runs; each opens its details")),
        make("thead", {}, make("tr", { id: "list-heads" })),
        make("tbody", { id: "list-rows" })),
      make("button", { type: "button", id: "list-more", onclick: () => this.more() }, say("Show more runs"))]));
    this.refresh();
  },

  // The list alone, where what is told of the district would push it out of sight.
  fold() {
    this.isTold = false;
    const told = document.querySelector("details.overview");
    if (told) told.removeAttribute("open");
  },

  // Once, however often the page is built.
  open() {
    sheet_map.on("moveend", () => { if (this.inSight) this.refresh(); });
  },

  rows() {
    const rows = [];
    const box = this.inSight ? sightBox() : null;
    for (let run = 0; run < study.runs.n; run += 1) {
      if (study.isShown[run] && (!box || isInView(study.runs.outlines, run, box))) rows.push(run);
    }
    const rank = this.ranker();
    return rows.sort((a, b) => (this.isDown ? -1 : 1) * rank(a, b) || byRunId(a, b));
  },

  ranker() {
    const name = this.by;
    if (name === "run_id") return byRunId;
    const order = { technique: Object.keys(study.words.techniques), severity: study.words.severities }[name];
    const value = (run) => {
      const found = study.runs.get(name, run);
      return order ? order.indexOf(found) : found ?? -Infinity;
    };
    return (a, b) => (value(a) < value(b) ? -1 : Number(value(a) > value(b)));
  },

  refresh() {
    if (!byId("list-rows")) return;
    this.shown = this.rows();
    this.limit = LIST_STEP;
    byId("list-heads").replaceChildren(...SORTS.map((sort) => this.head(sort)));
    byId("list-rows").replaceChildren();
    this.fill(0, this.limit);
    byId("list-note").replaceChildren(...compact([say("Runs listed: {shown} of {all}.", { shown: this.shown.length, all: study.runs.n }),
      study.shownCount === study.runs.n ? null : [" ", make("button", { type: "button", onclick: () => narrowing.reset() }, say("Clear all filters"))]]));
    byId("list-more").hidden = this.shown.length <= this.limit;
  },

  // Some lines at once, the rest a few in each frame: none keeps the reader waiting.
  fill(from, to) {
    this.round += 1;
    const { round } = this;
    const go = (start) => {
      if (round !== this.round || !byId("list-rows")) return;
      const stop = Math.min(start + LINES_AT_ONCE, to);
      const isMore = stop < Math.min(to, this.shown.length);
      byId("list-rows").append(...this.shown.slice(start, stop).map((run) => this.line(run)));
      byId("list-rows").setAttribute("aria-busy", String(isMore));
      if (isMore) setTimeout(() => go(stop));
    };
    go(from);
  },

  more() {
    this.fill(byId("list-rows").childElementCount, this.limit + LIST_STEP);
    this.limit += LIST_STEP;
    byId("list-more").hidden = this.shown.length <= this.limit;
  },

  /** @param {{ name: string, words: () => string, isWide?: boolean }} sort */
  head({ name, words, isWide }) {
    const isHere = this.by === name;
    const sorted = this.isDown ? "descending" : "ascending";
    return make("th", { scope: "col", class: isWide ? "if-wide" : null, "aria-sort": isHere ? sorted : null },
      make("button", { type: "button", class: "sorter", "data-sort": name, onclick: () => {
        this.isDown = isHere && !this.isDown;
        this.by = name;
        this.refresh();
        /** @type {HTMLElement} */ (document.querySelector(`[data-sort=${name}]`)).focus();
      } }, words(), isHere ? (this.isDown ? " \u25be" : " \u25b4") : ""));
  },

  line(run) {
    const of = (name) => study.runs.get(name, run);
    const isMarked = drawing.marked && drawing.marked.kind === "run" && drawing.marked.row === run;
    return make("tr", { class: isMarked ? "is-marked" : null, "data-run": run },
      make("th", { scope: "row" }, make("button", { type: "button", class: "opener",
        onclick: () => openPlace("run", run),
        onfocus: () => plan.mark("run", run) }, of("run_id")), deciding.badge("run", run)),
      make("td", {}, make("span", { class: "with-sample" },
        signMark(study.palette.techniques[of("technique") || ""] || study.palette.techniques[""]),
        techniqueName(of("technique")), of("is_to_confirm") ? make("em", { title: say("items to confirm on site") }, " ", say("to confirm")) : null),
        isQualified(of("standing")) ? make("span", { class: "remedy" }, codeWord("stand", of("standing"))) : null,
        // On a phone the bore has no column of its own.
        of("bore_change") ? make("span", { class: "remedy bore-below" }, `${boreChange(of("bore_change"))}\u00a0mm`) : null),
      make("td", { class: "bore" }, boreChange(of("bore_change"))),
      make("td", {}, severityName(of("severity"))),
      make("td", { class: "figure" }, number(of("n_trees"))),
      make("td", { class: "figure" }, oneDecimal(of("length_m"))),
      make("td", { class: "if-wide" }, named(of("street"))),
      make("td", { class: "figure if-wide" }, of("cost_mid") === null ? notKnown() : grouped(of("cost_mid"))),
      make("td", { class: "if-wide" }, of("sureness") ? codeWord("sureness", of("sureness")) : ""));
  },

  markLine(run) {
    for (const line of document.querySelectorAll("#list-rows .is-marked")) line.classList.remove("is-marked");
    const line = document.querySelector(`#list-rows [data-run="${run}"]`);
    if (line) line.classList.add("is-marked");
  },
};

function oneDecimal(value) {
  return value === null ? notKnown() : sayNumber(value, 1);
}

// Bore before and after the works: figures, and «not known» in place of one.
function boreChange(text) {
  return text === null ? notKnown() : text.replaceAll("not known", notKnown());
}

function signMark(stroke) {
  return makeSvg("svg", { class: "sign", viewBox: "0 0 18 18", width: 18, height: 18, "aria-hidden": "true" }, markShapes(stroke, 9, 9));
}

// The mark of a technique or severity on its disc: a plain shape, for a letter would be read as part of a number beside it.
function markShapes(stroke, x, y) {
  return [makeSvg("circle", { cx: x, cy: y, r: 7.6, fill: "#ffffff", stroke: stroke.colour, "stroke-width": 2 }),
    makeSvg("path", { d: stroke.mark, transform: `translate(${x} ${y}) scale(0.9)`, class: "sign-mark", "fill-rule": "evenodd" })];
}

const ID_ORDER = new Intl.Collator("en", { numeric: true });

// The place of each run in the order of their names, found once: to compare names takes long.
function rankRuns() {
  const names = Array.from({ length: study.runs.n }, (_, run) => String(study.runs.get("run_id", run)));
  const inOrder = [...names.keys()].sort((a, b) => ID_ORDER.compare(names[a], names[b]));
  study.placeOfRun = new Int32Array(study.runs.n);
  for (const [place, run] of inOrder.entries()) study.placeOfRun[run] = place;
}

function byRunId(a, b) {
  return study.placeOfRun[a] - study.placeOfRun[b];
}

function sightBox() {
  const bounds = sheet_map.getBounds();
  const [a, b] = [latLngToGrid(bounds.getNorthWest()), latLngToGrid(bounds.getSouthEast())];
  return { west: a.x, north: a.y, east: b.x, south: b.y };
}

// A number of the totals for the recommended works; null where it is not known or not there.
function totalOf(quantity, part = "recommended_mid") {
  for (let row = 0; row < study.totals.n; row += 1) {
    if (study.totals.get("quantity", row) === quantity) return study.totals.get(part, row);
  }
  return null;
}

const connectionsLost = () => totalOf("Runs worked on with connections not known (digs, reopening, impact and cost left out)");

function digCounts() {
  let robots = 0;
  for (let dig = 0; dig < study.digs.n; dig += 1) robots += isRobot(dig) ? 1 : 0;
  const open = study.digs.n - robots;
  const lost = connectionsLost();
  if (lost && !open && totalOf("Small digs outside trenches") === null) return say("not known: no connections are known");
  const reopened = robots ? sayMany("{n} connection reopened by robot", "{n} connections reopened by robot", { n: robots }) : "";
  if (!lost) return [sayMany("{n} small dig", "{n} small digs", { n: open }), reopened].filter(Boolean).join(", ");
  return [sayMany("at least {n} small dig", "at least {n} small digs", { n: open }),
    sayMany("connections of {n} run not known", "connections of {n} runs not known", { n: lost }), reopened].filter(Boolean).join(", ");
}

/** @param {any} words text or elements */
function warning(words) {
  return make("span", { class: "warning" }, make("b", { "aria-hidden": "true" }, "!"), " ", words);
}

// What open cut of the runs to be worked on would do to the trees of the district.
function overviewOfTrees(hit, lost, works) {
  const all = sayNumber(study.trees.n);
  const said = sayMany("{trees}; open cut of the {n} run to be worked on would have a major or structural impact on {hit}",
    "{trees}; open cut of the {n} runs to be worked on would have a major or structural impact on {hit}", { trees: all, n: works, hit });
  return lost ? [said, ", ", warning(say("not known of {count} more", { count: sayNumber(lost) }))] : said;
}

const countRuns = (n) => sayMany("{n} run", "{n} runs", { n });

// How many runs to be worked on are inspected, and what holds of the others.
function worksByStanding() {
  const at = (part) => totalOf("Runs worked on", part) || 0;
  const all = sayMany("{n} run", "{n} runs", { n: at("recommended_mid") });
  const unseen = at("recommended_uninspected_mid");
  if (!unseen) {
    return sayMany("{n} run, inspected", "{n} runs, all inspected", { n: at("recommended_mid") });
  }
  return say("{runs}: {seen} inspected, {unseen} not inspected (inspect first)", {
    runs: all, seen: sayNumber(at("recommended_inspected_mid")), unseen: sayNumber(unseen) });
}

// The district in a few lines.
function overview() {
  const count = (table, name, test) => {
    let n = 0;
    for (let row = 0; row < table.n; row += 1) n += test(table.get(name, row)) ? 1 : 0;
    return n;
  };
  let metres = 0;
  for (let run = 0; run < study.runs.n; run += 1) metres += study.runs.get("length_m", run) || 0;
  const hit = count(study.tree_balance, "is_open_cut_serious", Boolean);
  const lost = count(study.tree_balance, "is_open_cut_serious", (is) => is === null);
  return factList([
    [say("Runs"), say("{runs}, {length} km in total", { runs: study.runs.n, length: number(metres / 1000, 2) })],
    [say("Runs to be worked on"), worksByStanding()],
    [say("To confirm on site"), countRuns(count(study.runs, "is_to_confirm", Boolean))],
    [say("Trees"), overviewOfTrees(hit, lost, study.meta.runs_asked)],
    [say("Strings and pits"), [THINGS.strings(study.strings.n), ", ", THINGS.pits(study.pits.n)]],
    [say("Small digs"), digCounts()],
    [say("Data findings"), make("a", { href: "#page=findings" }, sayMany("{n} finding", "{n} findings", { n: study.findings.n }))],
  ]);
}
