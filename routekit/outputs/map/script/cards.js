// The page of one run: what to do, why, what else was compared, and what it rests on.

const VERDICT_SIGNS = { pass: "\u2713", caution: "!", unknown: "?", fail: "\u2717" };

async function runCard(run) {
  const detail = await detailOf(run);
  const of = (name) => study.runs.get(name, run);
  const text = (name) => detail.texts.get(name, detail.row);
  return [
    make("h2", {}, `Run ${named(of("run_id"))}`),
    make("p", { class: "verdict-line", id: "card-technique" },
      letterMark(study.palette.techniques[of("technique") || ""] || study.palette.techniques[""]),
      make("strong", {}, techniqueName(of("technique"))),
      of("bore_change") ? make("span", { id: "card-bore" }, `, bore ${of("bore_change")}\u00a0mm`) : null),
    factList([
      of("is_feasible") === 0 ? ["Note", "No technique passed every check; this one fails least"] : null,
      of("street") ? ["Street", of("street")] : null,
      text("decision") ? ["Decision", text("decision")] : null,
      ["New pipe", of("new_pipe") ? of("new_pipe") : "none"],
      ["Reason", said(text("reason"))],
      ["Runner-up", of("runner_up") ? techniqueName(of("runner_up")) : "none"],
      of("runner_up") ? ["Why not the runner-up", said(text("runner_up_reason"))] : null,
      ["What would change it", said(text("would_change"))],
      ["To confirm on site", text("to_confirm") ? text("to_confirm") : "nothing"],
      stringFact(of("string_id")),
    ]),
    longSection(run, detail),
    make("h3", {}, "The old pipe"),
    factList(pipeFacts(run)),
    breachList(run),
    crossingList(run),
    optionList(run, detail),
    checkList(detail, of("technique")),
    observationList(detail),
    rootLinks("Roots found near trees", study.linksOfRun(run), "Tree", rootedTree),
    digsOf(of("run_id")),
    decisionsOf("run_id", of("run_id")),
  ];
}

function stringFact(id) {
  if (!id) return null;
  const row = study.rows.string.get(String(id));
  return ["Pull string", row === undefined ? id
    : [linkTo("string", id), overWords(row).map((words) => [" ", warning(words)])]];
}

function manholeText(id) {
  if (!id) return NOT_KNOWN;
  return study.rows.manhole.has(String(id)) ? linkTo("manhole", id) : id;
}

function pipeFacts(run) {
  const of = (name) => study.runs.get(name, run);
  const flags = study.runs.names.filter((name) => name.startsWith("has_") && of(name));
  const gradient = of("gradient");
  return [
    ["From manhole", manholeText(of("from_manhole"))],
    ["To manhole", manholeText(of("to_manhole"))],
    ["Length", quantity(of("length_m"), "m", 1)],
    ["Bore", boreText(of("diameter_mm"), of("height_mm"))],
    ["Shape, material", `${said(of("shape"))}, ${said(of("material"))}`],
    ["Use, year", `${said(of("use"))}, ${said(of("year"))}`],
    ["Depth to invert", `${quantity(of("depth_up_m"), "m")} upstream, ${quantity(of("depth_down_m"), "m")} downstream (from ${said(of("depth_source"))})`],
    ["Gradient", gradient === null ? NOT_KNOWN : `${number(1000 * gradient, 2)} m per km (from ${said(of("gradient_source"))})`],
    ["Roots", of("root_share") === null ? (of("root_index") === null ? NOT_KNOWN : `index ${number(of("root_index"))}`)
      : `up to ${percent(of("root_share"))} of the bore`],
    of("priority") ? ["Urgency", `${said(of("priority"))}${of("priority_reason") ? `: ${of("priority_reason")}` : ""}`] : null,
    of("capacity_now_l_s") === null && of("required_l_s") === null ? null : ["Capacity", `${quantity(of("capacity_now_l_s"), "l/s", 0)} now, ${quantity(of("capacity_sound_l_s"), "l/s", 0)} if sound; required ${quantity(of("required_l_s"), "l/s", 0)}${of("required_basis") ? ` (${plain(of("required_basis"))})` : ""}`],
    of("nearest_service") ? ["Nearest service", `${plain(of("nearest_service"))}, ${quantity(of("service_clearance_m"), "m")} clear`] : null,
    ["Structural grade (4 is worst)", of("structural_grade") === null ? NOT_KNOWN : number(of("structural_grade"))],
    flags.length ? ["Found by inspection", flags.map((name) => plain(name.slice(4))).join(", ")] : null,
    of("worst_text") ? ["Worst observation", of("worst_text")] : null,
    ["Trench, if open cut", `${quantity(of("width_m"), "m")} wide${of("width_rule") ? ` (${plain(of("width_rule"))})` : ""}${of("corridor_width_m") ? `; ${quantity(of("corridor_width_m"), "m")} with root tearing at its sides` : ""}`],
  ];
}

function breachList(run) {
  const rows = study.breachesOfRun(run);
  const title = "Trees that open cut would affect";
  if (!rows.length) return [make("h3", {}, title), make("p", {}, study.runs.get("severity", run) === null
    ? (study.runs.get("width_m", run) === null ? "Not known: the size of the pipe is not known." : "Not assessed: there are no root zones.") : "None.")];
  const of = (name, row) => study.breaches.get(name, row);
  return [make("h3", {}, title), dataTable(title,
    ["Tree", "Impact", "Zone severed", "Zone dug", "Trench edge to stem", "From\u2013to"],
    rows.map((row) => [[treeText(of("tree", row)), doubtsOf(row)], severityName(of("severity", row)),
      percent(of("severed_share", row)), percent(of("footprint_share", row)), quantity(of("stem_edge_m", row), "m"),
      make("span", { class: "unbroken" }, `${number(of("from_m", row), 1)}\u2013${number(of("to_m", row), 1)}\u00a0m`)]), { id: "breach-table" })];
}

// What the impact of one run on one tree rests on, where it is not certain.
function doubtsOf(row) {
  const of = (name) => study.breaches.get(name, row);
  const spread = of("position_sd_m") === null ? "" : `, accuracy ${quantity(of("position_sd_m"), "m")}`;
  const words = [of("is_estimated") ? "stem estimated" : null, of("is_unsure") ? `position uncertain${spread}` : null,
    study.breaches.has("is_unsure") && of("is_unsure") === null ? "position accuracy not known" : null].filter(Boolean);
  return words.length ? make("span", { class: "remedy" }, words.join("; ")) : null;
}

function treeText(tree) {
  const id = study.trees.get("tree_id", tree);
  return id === null ? NOT_KNOWN : linkTo("tree", id);
}

function runText(run) {
  const id = study.runs.get("run_id", run);
  return id === null ? NOT_KNOWN : linkTo("run", id);
}

function crossingList(run) {
  const rows = study.crossingsOfRun(run);
  if (!rows.length) return null;
  const of = (name, row) => study.services.get(name, study.crossings.get("service", row));
  return [make("h3", {}, "Crossing services"), dataTable("Crossing services",
    ["Service", "Kind", "At", "Depth", "Size"],
    rows.map((row) => [named(of("service_id", row)), said(of("kind", row)),
      quantity(study.crossings.get("at_m", row), "m", 1), quantity(of("depth_m", row), "m"),
      quantity(of("diameter_mm", row), "mm")]))];
}

function verdictMark(word) {
  return make("span", { class: `verdict verdict-${VERDICT_SIGNS[word] ? word : "other"}` },
    make("b", { "aria-hidden": "true" }, VERDICT_SIGNS[word] || "\u00b7"), ` ${said(word)}`);
}

const DUG = "Dug or severed, m\u00b2";

function optionList(run, detail) {
  const rows = detail.rowsOf("options");
  if (!rows.length) return null;
  const of = (name, row) => detail.options.get(name, row);
  const more = [[DUG, "root_m2"], [costHead(), "cost"], ["CO\u2082e, kg", "co2e_kg"]]
    .filter(([, name]) => detail.options.has(name));
  const heads = ["Technique", "Verdict", "New bore, capacity", ...more.map(([head]) => head)];
  return [make("h3", {}, "Techniques compared"), dataTable("Techniques compared", heads,
    rows.map((row) => [techniqueName(of("technique", row)),
      [verdictMark(of("verdict", row)), of("n_unknown", row) ? make("span", { class: "remedy" }, `${number(of("n_unknown", row))} not known`) : null],
      [newBore(run, detail, row), make("span", { class: "remedy" }, quantity(of("capacity_l_s", row), "l/s", 0))],
      ...more.map(([, name]) => (of(name, row) === null ? NOT_KNOWN : grouped(of(name, row))))]), { id: "option-table" }),
  detail.options.has("root_m2") ? make("p", { class: "remedy" }, "Dug or severed: root zone that the works dig up and, for open cut, what the trench severs from its tree; summed over trees.") : null];
}

function newBore(run, detail, row) {
  const bore = detail.options.get("new_bore_mm", row);
  const [width, height] = [study.runs.get("diameter_mm", run), study.runs.get("height_mm", run)];
  const keeps = study.techniques[detail.options.get("technique", row)].keepsShape && bore !== null && width !== null;
  return keeps ? boreText(bore, height, width - bore) : quantity(bore, "mm", 0);
}

function costHead() {
  for (let row = 0; row < study.totals.n; row += 1) {
    if (study.totals.get("quantity", row) === "Cost" && study.totals.get("unit", row)) return `Cost, ${study.totals.get("unit", row)}`;
  }
  return "Cost";
}

// Checks of one technique at a time; the recommended one first.
function checkList(detail, recommended) {
  const rows = detail.rowsOf("checks");
  const title = make("h3", {}, "Checks");
  if (!rows.length) return [title, make("p", {}, "No checks were made for this run.")];
  const of = (name, row) => detail.checks.get(name, row);
  const techniques = [...new Set(rows.map((row) => of("technique", row)))];
  const chosen = techniques.includes(recommended) ? recommended : techniques[0];
  const place = make("div", { id: "check-place" });
  const show = (technique) => place.replaceChildren(dataTable(`Checks: ${techniqueName(technique)}`,
    ["Check", "Verdict", "Value", "Limit", "Source"],
    rows.filter((row) => of("technique", row) === technique).map((row) => [checkName(of("check", row), of("verdict", row) === "pass" ? null : of("remedy", row), of("assumed", row)),
      verdictMark(of("verdict", row)), of("value_text", row) ?? measured(of("value", row), of("unit", row)),
      of("limit_text", row) ?? measured(of("limit", row), of("unit", row)), make("span", { class: "source" }, sourceText(of("source", row)))]),
    { id: "check-table" }));
  show(chosen);
  return [title, make("p", {}, make("label", { for: "check-technique" }, "Technique "),
    make("select", { id: "check-technique", onchange: (event) => show(techniques[Number(event.target.value)]) },
      techniques.map((code, i) => make("option", { value: i, selected: code === chosen }, techniqueName(code))))), place];
}

// A check that did not pass says what would settle it, and what it rests on that is assumed.
function checkName(name, remedy, assumed) {
  return [said(name), assumed ? make("span", { class: "remedy" }, `Assumed, not known: ${assumed}.`) : null,
    remedy ? make("span", { class: "remedy" }, remedy) : null];
}

function measured(value, unit) {
  if (value === null) return NOT_KNOWN;
  if (typeof value !== "number") return said(value);
  if (unit === "yes/no") return value ? "yes" : "no";
  return unit && unit !== "-" ? quantity(value, unit, 3) : number(value, 3);
}

function observationList(detail) {
  const rows = detail.rowsOf("inspections");
  if (!rows.length) return null;
  const of = (name, row) => detail.inspections.get(name, row);
  return [make("h3", {}, "Inspection observations"), dataTable("Inspection observations", ["At", "Code", "Kind", "Amount", "Clock", "Joint"],
    rows.map((row) => [quantity(of("chainage_m", row), "m", 1), codeText(of, row),
      of("characterisation", row) ?? "", of("quantification", row) ?? "", of("clock", row) ?? "",
      yesNo(of("at_joint", row))]))];
}

// A question mark: not understood, or of a kind that is not known.
function codeText(of, row) {
  return `${of("code", row) ?? ""}${of("is_kind_known", row) ? "" : "?"}`;
}

// Any linked table, with all its columns.
// Roots that an inspection found near a tree, of a run or of a tree; `place` names the other end.
function rootLinks(title, rows, head, place) {
  if (!rows.length) return null;
  const of = (name, row) => study.root_links.get(name, row);
  return [make("h3", {}, title), dataTable(title,
    [head, "Along the run", "To the stem", "In root zone", "Share of bore"],
    rows.map((row) => [place(row), quantity(of("chainage_m", row), "m", 1), quantity(of("distance_m", row), "m"),
      yesNo(of("is_in_zone", row)), percent(of("root_share", row))]), { id: "root-table" })];
}

// A tree that roots were found near, with its species below.
function rootedTree(row) {
  const species = study.root_links.get("species", row);
  return [treeText(study.root_links.get("tree", row)), make("span", { class: "remedy" }, species === null ? "species not known" : species)];
}

function digsOf(runId) {
  const rows = runId === null ? [] : study.digsOfRun(runId);
  const of = (name, row) => study.digs.get(name, row);
  const digs = rows.filter((row) => !isRobot(row));
  const robots = rows.filter(isRobot);
  return [
    digs.length ? [make("h3", {}, "Small digs that remain"), dataTable("Small digs that remain", ["Dig", "Purpose", "Method", "In root zones", "Most affected tree"],
      digs.map((row) => [linkTo("dig", of("dig_id", row)), said(of("kind", row)), said(of("method", row)),
        quantity(of("zone_overlap_m2", row), "m\u00b2"), worstTree(of, row)]))] : null,
    robots.length ? [make("h3", {}, "Connections reopened by robot"), make("p", { id: "robot-list" },
      `${counted(robots.length, "connection")}, from inside, without digging: `,
      robots.map((row, i) => [i ? ", " : "", named(of("connection_id", row))]))] : null,
  ];
}

function worstTree(of, row) {
  const id = of("worst_tree", row);
  if (!id) return "none";
  const share = of("worst_share", row);
  return make("span", {}, study.rows.tree.has(String(id)) ? linkTo("tree", id) : String(id),
    share === null ? "" : `, ${percent(share)} of its zone`);
}

function decisionsOf(column, id) {
  const rows = [];
  for (let row = 0; row < study.decisions.n; row += 1) {
    if (id !== null && study.decisions.get(column, row) === id) rows.push(row);
  }
  return rows.length ? [make("h3", {}, "Decisions"), wholeTable("Decisions", study.decisions, rows)] : null;
}

function wholeTable(title, table, rows) {
  return dataTable(title, table.names.map((name) => nameAndValue(name, null)[0]),
    rows.map((row) => table.names.map((name) => nameAndValue(name, table.get(name, row))[1])));
}
