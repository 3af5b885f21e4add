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
        `Show more (${count - limit} left)`));
    }
  };
  show(ROWS_AT_FIRST);
  return holder;
}

function drawPage() {
  const rows = DRAWN.filter(({ name, of }) => study[of || name].n);
  return [
    make("h2", {}, "Layers"),
    make("fieldset", {}, make("legend", {}, "Show on the plan"), [...rows].reverse().map((layer) => (
      make("label", {}, make("input", { type: "checkbox", checked: drawing.isOn[layer.name],
        "data-layer": layer.name, onchange: (event) => {
          drawing.isOn[layer.name] = event.target.checked;
          plan.redraw();
        } }), ` ${layer.words}`)))),
    make("h3", {}, "Symbols on the plan"),
    make("ul", { class: "signs" }, SIGNS.filter(([of]) => study[of].n).map(([, draw, words]) => (
      make("li", {}, makeSvg("svg", { class: "sample", viewBox: "0 0 30 18", width: 30, height: 18, "aria-hidden": "true" }, draw()), words)))),
    study.meta.tiles_credit ? make("p", { class: "credit" }, `Online background: ${study.meta.tiles_credit}`) : null,
  ];
}

const sign = (tag, attributes) => () => makeSvg(tag, attributes);
/** @type {[string, () => any, string][]} */
const SIGNS = [
  ["trees", sign("circle", { cx: 15, cy: 9, r: 8, class: "g-crown" }), "Tree crown"],
  ["trees", sign("circle", { cx: 15, cy: 9, r: 8, class: "p-zone" }), "Root protection zone"],
  ["trees", sign("circle", { cx: 15, cy: 9, r: 6, class: "p-core" }), "Structural root zone"],
  ["runs", sign("rect", { x: 2, y: 4, width: 26, height: 10, class: "g-trench" }), "Trench, to scale"],
  ["strings", sign("rect", { x: 2, y: 3, width: 26, height: 12, rx: 6, class: "g-string" }), "Pull string"],
  ["laydown", sign("rect", { x: 2, y: 5, width: 26, height: 8, class: "g-laydown" }), "Laydown area for the welded pipe"],
  ["pits", sign("rect", { x: 5, y: 3, width: 20, height: 12, class: "p-pit" }), "Pit, to scale"],
  ["digs", sign("rect", { x: 10, y: 4, width: 10, height: 10, class: "g-dig" }), "Small dig"],
  ["manholes", sign("circle", { cx: 15, cy: 9, r: 5, class: "g-dig" }), "Manhole"],
  ["services", sign("line", { x1: 1, x2: 29, y1: 9, y2: 9, class: "g-service" }),
    "Service: G gas, W water, E electricity, T telecom, H heat, S sewer, X other"],
];

function doubtsPage() {
  const of = (name, row) => study.findings.get(name, row);
  return [
    make("h2", {}, "Data findings"),
    make("p", {}, study.findings.n ? `${counted(study.findings.n, "finding")}: what was found in the input data and what was done about it.`
      : "No problems were found in the input data."),
    study.findings.n ? growingTable("Findings", ["Severity", "Where", "Found", "Action taken"], study.findings.n,
      (row) => [said(of("severity", row)), [rowLink(of("row", row)), make("span", { class: "remedy" },
        raw([of("layer", row), of("field", row)].filter(Boolean).join(", ")))],
      raw(of("seen", row)), raw(of("done", row))]) : null,
  ];
}

function rowLink(id) {
  if (id === null) return "";
  const kind = ["run", "tree", "manhole"].find((name) => study.rows[name].has(String(id)));
  return kind ? linkTo(kind, String(id)) : String(id);
}

function sumsPage() {
  const of = (name, row) => study.totals.get(name, row);
  const range = (what, row) => {
    const [low, mid, high] = ["low", "mid", "high"].map((end) => of(`${what}_${end}`, row));
    if (mid === null) return NOT_KNOWN;
    if (low === null || high === null || (low === mid && high === mid)) return grouped(mid);
    return [grouped(mid), make("span", { class: "remedy unbroken" }, `${grouped(low)} to ${grouped(high)}`)];
  };
  const unit = (row) => {
    const words = String(of("quantity", row)).toLowerCase().split(/\W+/);
    return of("unit", row) && !words.includes(of("unit", row)) ? `, ${unitSign(of("unit", row))}` : "";
  };
  const name = (row) => [said(of("quantity", row)), unit(row),
    make("span", { class: "remedy" }, sourceText(of("source", row)))];
  return [
    make("h2", {}, "Totals"),
    make("p", {}, `Open cut of the ${workedOn()} compared with the recommended works, for the whole study. Below each figure: low to high estimate.`),
    study.totals.n ? dataTable("Totals", ["Quantity and source", "Open cut", "Recommended"],
      Array.from({ length: study.totals.n }, (_, row) => [name(row), range("open_cut", row), range("recommended", row)]),
      { id: "totals-table" }) : make("p", {}, "No totals were calculated."),
  ];
}

// The scope of «open cut»: the same runs in both columns of the sums.
function workedOn() {
  const row = Array.from({ length: study.totals.n }, (_, i) => i).find((i) => study.totals.get("quantity", i) === "Runs worked on");
  return row === undefined ? "runs to be worked on" : `${counted(study.totals.get("open_cut_mid", row), "run")} to be worked on`;
}

function unitSign(unit) {
  return unit.replace(/^m2$/, "m\u00b2").replace(/^m3$/, "m\u00b3");
}

// Areas and sums below a millionth are noise of the arithmetic.
function grouped(value) {
  if (Math.abs(value) < 1e-6) return "0";
  const size = Math.abs(value);
  return value.toLocaleString("en-GB", { maximumFractionDigits: size >= 100 ? 0 : size >= 1 ? 1 : 3 });
}

function basisPage() {
  const table = (title, name) => (study[name].n ? [make("h3", {}, title), growingTable(title,
    study[name].names.map(plain), study[name].n, (row) => study[name].names.map((column) => (
      column === "source" ? sourceText(study[name].get(column, row)) : raw(study[name].get(column, row)))))] : null);
  return [
    make("h2", {}, "Sources and settings"),
    table("Provenance", "provenance"),
    table("Settings in force", "rules"),
    table("Sources", "sources"),
    make("h3", {}, "This page"),
    make("p", {}, `The plan is drawn in Web Mercator; all measurements were taken in ${study.meta.crs}. Nothing is sent or fetched unless the study asks for an online background.`),
    make("details", {}, make("summary", {}, "Licence of the Leaflet library used in this page"),
      make("pre", {}, byId("leaflet-licence").textContent)),
  ];
}
