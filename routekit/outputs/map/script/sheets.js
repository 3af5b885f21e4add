// Pages that are lists: layers, data findings, totals, sources.

const ROWS_AT_FIRST = 200;

// A table that grows by a button, so that a long one costs nothing until it is read.
function growingTable(title, heads, count, lineOf) {
  const holder = make("div", {});
  const show = (limit) => {
    const rows = Array.from({ length: Math.min(count, limit) }, (_, row) => lineOf(row));
    holder.replaceChildren(dataTable(title, heads, rows));
    if (count > limit) {
      holder.append(make("button", { type: "button", onclick: () => show(limit * 3) },
        say("Show more ({left} left)", { left: count - limit })));
    }
  };
  show(ROWS_AT_FIRST);
  return holder;
}

function drawPage() {
  const rows = DRAWN.filter(({ name, of }) => study[of || name].n);
  return [
    make("h2", {}, say("Layers")),
    make("fieldset", {}, make("legend", {}, say("Show on the plan")), [...rows].reverse().map((layer) => (
      make("label", {}, make("input", { type: "checkbox", checked: drawing.isOn[layer.name],
        "data-layer": layer.name, onchange: (event) => {
          drawing.isOn[layer.name] = event.target.checked;
          plan.redraw();
        } }), ` ${layer.words()}`)))),
    make("h3", {}, say("Symbols on the plan")),
    make("ul", { class: "signs" }, signs().filter(([of]) => study[of].n).map(([, draw, words]) => (
      make("li", {}, makeSvg("svg", { class: "sample", viewBox: "0 0 30 18", width: 30, height: 18, "aria-hidden": "true" }, draw()), words)))),
    study.meta.photo_words ? make("p", { class: "credit" }, study.meta.photo_words) : null,
    study.meta.tiles_credit ? make("p", { class: "credit" }, say("Online background: {credit}", { credit: study.meta.tiles_credit })) : null,
  ];
}

const sign = (tag, attributes) => () => makeSvg(tag, attributes);
/** @returns {[string, () => any, string][]} */
const signs = () => [
  ["trees", sign("circle", { cx: 15, cy: 9, r: 8, class: "g-crown" }), say("Tree crown")],
  ["trees", sign("circle", { cx: 15, cy: 9, r: 8, class: "p-zone" }), say("Root protection zone")],
  ["trees", sign("circle", { cx: 15, cy: 9, r: 6, class: "p-core" }), say("Structural root zone")],
  ["runs", sign("rect", { x: 2, y: 4, width: 26, height: 10, class: "g-trench" }), say("Trench, to scale")],
  ["strings", sign("rect", { x: 2, y: 3, width: 26, height: 12, rx: 6, class: "g-string" }), say("Pull string")],
  ["laydown", sign("rect", { x: 2, y: 5, width: 26, height: 8, class: "g-laydown" }), say("Laydown area for the welded pipe")],
  ["pits", sign("rect", { x: 5, y: 3, width: 20, height: 12, class: "p-pit" }), say("Pit, to scale")],
  ["new_lines", sign("path", { d: "M1,14 L15,5 L29,12", class: "g-new-line" }), say("New line, with its new manholes")],
  ["digs", sign("rect", { x: 10, y: 4, width: 10, height: 10, class: "g-dig" }), say("Small dig")],
  ["manholes", sign("circle", { cx: 15, cy: 9, r: 5, class: "g-dig" }), say("Manhole")],
  ["services", sign("line", { x1: 1, x2: 29, y1: 9, y2: 9, class: "g-service" }),
    say("Service: G gas, W water, E electricity, T telecom, H heat, S sewer, X other")],
];

function rowLink(id) {
  if (id === null) return "";
  const kind = ["run", "tree", "manhole"].find((name) => study.rows[name].has(String(id)));
  return kind ? linkTo(kind, String(id)) : String(id);
}

function sumsPage() {
  const of = (name, row) => study.totals.get(name, row);
  const range = (what, row) => {
    const [low, mid, high] = ["low", "mid", "high"].map((end) => of(`${what}_${end}`, row));
    if (mid === null) return notKnown();
    const isSure = low === null || high === null || (low === mid && high === mid);
    return [grouped(mid),
      isSure ? null : make("span", { class: "remedy unbroken" }, say("{low} to {high}", { low: grouped(low), high: grouped(high) })),
      apart(what, row)];
  };
  // What of a sum belongs to runs that are inspected, and to runs that are not.
  const apart = (what, row) => {
    const [seen, unseen] = ["inspected", "uninspected"].map((part) => of(`${what}_${part}_mid`, row));
    const told = (value) => value === null ? notKnown() : grouped(value);
    return unseen === 0 ? null : [
      make("span", { class: "remedy" }, say("{n} inspected", { n: told(seen) })),
      make("span", { class: "remedy" }, say("{n} not inspected", { n: told(unseen) }))];
  };
  const unit = (row) => {
    const words = String(of("quantity", row)).toLowerCase().split(/\W+/);
    return of("unit", row) && !words.includes(of("unit", row)) ? [", ", tell([of("unit", row)])] : "";
  };
  const name = (row) => [textOf(study.totals, "quantity", row), unit(row),
    make("span", { class: "remedy" }, sourceText(of("source", row)))];
  return [
    make("h2", {}, say("Totals")),
    sumsOfShown(),
    study.shownCount === study.runs.n ? null : make("h3", {}, say("The whole study")),
    make("p", {}, scopeOfTotals()),
    make("p", {}, say("What belongs to runs that nobody has inspected is provisional; it stands apart below each figure. A tree belongs there as soon as any work at such a run touches it.")),
    study.totals.n ? dataTable(say("Totals"), [say("Quantity and source"), say("Open cut"), say("Recommended")],
      Array.from({ length: study.totals.n }, (_, row) => [name(row), range("open_cut", row), range("recommended", row)]),
      { id: "totals-table" }) : make("p", {}, say("No totals were calculated.")),
    waysOfDistrict(),
  ];
}

// Sums over the runs that are shown, where some are not; what is not known is counted beside them.
function sumsOfShown() {
  if (study.shownCount === study.runs.n) return null;
  const shown = Array.from({ length: study.runs.n }, (_, run) => run).filter((run) => study.isShown[run]);
  const sum = (name, write) => {
    const values = shown.map((run) => study.runs.get(name, run));
    const known = values.filter((value) => value !== null);
    const lost = values.length - known.length;
    const total = known.reduce((a, b) => a + b, 0);
    if (!known.length && lost) return notKnown();
    return [write(total), lost ? [", ", warning(sayMany("not known of {n} run", "not known of {n} runs", { n: lost }))] : null];
  };
  const listed = (name) => lists[name].ready().countAtShownRuns();
  return make("section", { id: "shown-totals" }, make("h3", {}, say("Runs shown")), factList([
    [say("Runs"), say("{shown} of {all}", { shown: sayNumber(shown.length), all: sayNumber(study.runs.n) })],
    [say("Length"), sum("length_m", (value) => quantity(value, "m", 0))],
    [say("First cost"), sum("cost_mid", moneyText)],
    [say("Whole-life cost"), sum("whole_life_cost_mid", moneyText)],
    [say("Strings"), sayNumber(listed("strings"))],
    [say("Pits"), sayNumber(listed("pits"))],
    [say("Small digs and reopenings"), sayNumber(listed("digs"))],
    [say("Trees whose root zone a trench of these runs would enter"), sayNumber(listed("trees"))],
  ]));
}

// The scope of «open cut»: the same runs in both columns of the sums.
function scopeOfTotals() {
  const row = Array.from({ length: study.totals.n }, (_, i) => i).find((i) => study.totals.get("quantity", i) === "Runs worked on");
  const count = row === undefined ? null : study.totals.get("open_cut_mid", row);
  return count === null
    ? say("Open cut of the runs to be worked on compared with the recommended works, for the whole study. Below each figure: low to high estimate.")
    : sayMany("Open cut of the {n} run to be worked on compared with the recommended works, for the whole study. Below each figure: low to high estimate.",
      "Open cut of the {n} runs to be worked on compared with the recommended works, for the whole study. Below each figure: low to high estimate.", { n: count });
}

// Areas and sums below a millionth are noise of the arithmetic.
function grouped(value) {
  if (Math.abs(value) < 1e-6) return "0";
  const [, decimals] = study.meta.decimals.find(([least]) => Math.abs(value) >= least);
  return writeNumber(value.toLocaleString("en-GB", { maximumFractionDigits: decimals }));
}

// Headings of the tables of sources and settings.
/** @type {Record<string, () => string>} */
const HEADINGS = {
  kind: () => say("Kind"),
  key: () => say("Key"),
  name: () => say("Name"),
  value: () => say("Value"),
  default: () => say("Default"),
  unit: () => say("Unit"),
  source: () => say("Source"),
  standing: () => say("Standing"),
  title: () => say("Title"),
  default_source: () => say("Source of the default"),
  text: () => say("Meaning"),
  note: () => say("Note"),
};

// A cell of these tables: texts in words, codes by their list, the rest as it is kept.
function basisCell(table, column, row) {
  const value = table.get(column, row);
  if (value === null || value === "") return "";
  if (column === "source" || column === "default_source") return sourceText(value);
  if (column === "key" || column === "name") return make("code", {}, raw(value));
  if (column === "kind") return codeWord("rule", value);
  if (column === "standing") return codeWord("standing", value);
  return ["text", "note", "title", "unit"].includes(column) ? textOf(table, column, row) : raw(value);
}

function basisPage() {
  const table = (title, name) => {
    const columns = study[name].names.filter((column) => !column.endsWith("_words"));
    const heads = columns.map((column) => (Object.hasOwn(HEADINGS, column) ? HEADINGS[column]() : column.replaceAll("_", " ")));
    return study[name].n ? [make("h3", {}, title), growingTable(title, heads, study[name].n,
      (row) => columns.map((column) => basisCell(study[name], column, row)))] : null;
  };
  return [
    make("h2", {}, say("Sources and settings")),
    table(say("Provenance"), "provenance"),
    table(say("Settings in force"), "rules"),
    table(say("Sources"), "sources"),
    make("h3", {}, say("This page")),
    make("p", {}, say("The plan is drawn in Web Mercator; all measurements were taken in {crs}. Nothing is sent or fetched unless the study asks for an online background.", { crs: study.meta.crs })),
    make("details", {}, make("summary", {}, say("Licence of the Leaflet library used in this page")),
      make("pre", { lang: "en" }, byId("leaflet-licence").textContent)),
  ];
}
