// The page of one run: what to do, why, what else was compared, and what it rests on.

const VERDICT_SIGNS = { pass: "\u2713", caution: "!", unknown: "?", fail: "\u2717" };

async function runCard(run) {
  const detail = await detailOf(run);
  const of = (name) => study.runs.get(name, run);
  const text = (name) => textOf(detail.texts, name, detail.row);
  return [
    make("h2", {}, TITLES.run(named(of("run_id")))),
    make("p", { class: "verdict-line", id: "card-technique" },
      signMark(study.palette.techniques[of("technique") || ""] || study.palette.techniques[""]),
      make("strong", {}, techniqueName(of("technique"))), isLaidBy(of("run_id"), of("technique")) ? [" ", say("on a new line")] : null,
      of("bore_change") ? make("span", { id: "card-bore" }, ", ", say("bore {bore}", { bore: `${boreChange(of("bore_change"))}\u00a0mm` })) : null),
    standingNote(of("standing")),
    factList([
      alerts.codesOf("runs", run).includes("fails_by_decision") ? [say("Note"), say("Fails a check, by decision")] : null,
      streetFrom(run),
      factOf(say("Decision"), text("decision")),
      [say("New pipe"), textOf(study.runs, "new_pipe", run) || say("none")],
      [say("Reason"), text("reason") || notKnown()],
      factOf(say("What a camera may change"), text("camera_may_change")),
      factOf(say("Cut roots and watch"), text("cutting_offer")),
      factOf(say("New line"), text("new_line")),
      [say("Runner-up"), of("runner_up") ? techniqueName(of("runner_up")) : say("none")],
      of("runner_up") ? [say("Why not the runner-up"), text("runner_up_reason") || notKnown()] : null,
      [say("What would change it"), text("would_change") || notKnown()],
      factOf(say("How sure"), text("sureness_note")),
      [say("First cost"), moneyText(of("cost_mid"))],
      [say("Whole-life cost"), of("whole_life_cost_mid") === null ? notKnown()
        : [moneyText(of("whole_life_cost_mid")), " (", textOf(study.runs, "appraisal", run), ")"]],
      factOf(say("Open between appraisal rules"), text("appraisal_turns")),
      [say("To confirm on site"), text("to_confirm") || say("nothing")],
      stringFact(of("string_id")),
    ]),
    longSection(run, detail),
    make("h3", {}, say("The old pipe")),
    factList(pipeFacts(run)),
    breachList(run),
    crossingList(run),
    optionList(detail, of("run_id")),
    wayList(detail, of("run_id")),
    checkList(detail, of("technique")),
    observationList(detail),
    rootLinks(say("Roots found near trees"), study.linksOfRun(run), say("Tree"), rootedTree),
    digsOf(of("run_id")),
    decisionsOf("run_id", of("run_id")),
  ];
}

// The street of a run, and where its name comes from if its own row did not say.
function streetFrom(run) {
  const name = study.runs.get("street", run);
  if (!name) return [say("Street"), notKnown()];
  const from = { "layer of streets": () => say("not recorded: taken from the layer of streets"),
    "nearest named run": () => say("not recorded: taken from the nearest named run") }[study.runs.get("street_basis", run)];
  return [say("Street"), from ? [name, make("span", { class: "remedy" }, from())] : name];
}

// What stands on no inspection is said beside the technique.
function standingNote(standing) {
  return standing === null || !isQualified(standing) ? null
    : make("p", { class: "verdict-line", id: "card-standing" }, warning(codeWord("stand", standing)));
}

function stringFact(id) {
  if (!id) return null;
  const row = study.rows.string.get(String(id));
  const over = row === undefined ? null : overText(row);
  return [say("Pull string"), row === undefined ? id
    : [linkTo("string", id), over ? [" ", warning(over)] : null]];
}

function manholeText(id) {
  if (!id) return notKnown();
  return study.rows.manhole.has(String(id)) ? linkTo("manhole", id) : id;
}

function pipeFacts(run) {
  const of = (name) => study.runs.get(name, run);
  return [
    [say("From manhole"), manholeText(of("from_manhole"))],
    [say("To manhole"), manholeText(of("to_manhole"))],
    [say("Length"), quantity(of("length_m"), "m", 1)],
    [say("Bore"), boreText(of("diameter_mm"), of("height_mm"))],
    [say("Shape, material"), `${codeWord("shape", of("shape"))}, ${codeWord("material", of("material"))}`],
    [say("Use, year"), `${codeWord("use", of("use"))}, ${of("year") === null ? notKnown() : of("year")}`],
    [say("Depth to invert"), say("{up} upstream, {down} downstream (source: {source})",
      { up: quantity(of("depth_up_m"), "m"), down: quantity(of("depth_down_m"), "m"), source: codeWord("source", of("depth_source")) })],
    of("ground_profile") ? [say("Depth along the run"), say("{least} at {from}, up to {most} at {to} (by the terrain)",
      { least: quantity(of("depth_min_m"), "m"), from: quantity(of("shallowest_at_m"), "m", 1), most: quantity(of("depth_max_m"), "m"), to: quantity(of("deepest_at_m"), "m", 1) })]
      : [say("Ground between the manholes"), say("not known: taken as straight")],
    [say("Gradient"), of("gradient") === null ? notKnown() : say("{gradient} m per km (source: {source})",
      { gradient: number(1000 * of("gradient"), 2), source: codeWord("source", of("gradient_source")) })],
    [say("Roots"), rootText(of("root_share"), of("root_index"))],
    of("priority") ? [say("Urgency"), urgencyOf(run)] : null,
    of("capacity_now_l_s") === null && of("required_l_s") === null ? null : [say("Capacity"), capacityOf(run)],
    of("nearest_service") ? [say("Nearest service"), say("{service}, {distance} clear",
      { service: serviceText(of("nearest_service")), distance: quantity(of("service_clearance_m"), "m") })] : null,
    [say("Structural grade (4 is worst)"), of("structural_grade") === null ? notKnown() : number(of("structural_grade"))],
    factOf(say("Worst observation"), textOf(study.runs, "worst_text", run)),
    [say("Trench, if open cut"), trenchText(run)],
  ];
}

function rootText(share, index) {
  if (share !== null) return say("up to {share} of the bore", { share: percent(share) });
  return index === null ? notKnown() : say("index {index}", { index: number(index) });
}

function urgencyOf(run) {
  const why = textOf(study.runs, "priority_reason", run);
  return [codeWord("priority", study.runs.get("priority", run)), why ? [": ", why] : null];
}

function capacityOf(run) {
  const of = (name) => study.runs.get(name, run);
  const flows = { now: quantity(of("capacity_now_l_s"), "l/s", 0), sound: quantity(of("capacity_sound_l_s"), "l/s", 0),
    required: quantity(of("required_l_s"), "l/s", 0) };
  return of("required_basis")
    ? say("{now} now, {sound} if sound; required {required} ({basis})", { ...flows, basis: codeWord("source", of("required_basis")) })
    : say("{now} now, {sound} if sound; required {required}", flows);
}

// Kind and number of a service, such as «gas SV021».
function serviceText(text) {
  const [kind, ...id] = text.split(" ");
  return [codeWord("service", kind), ...id].join(" ");
}

function trenchText(run) {
  const of = (name) => study.runs.get(name, run);
  const width = quantity(of("width_m"), "m");
  const rule = textOf(study.runs, "width_rule", run);
  return [
    of("corridor_width_m") ? say("{width} wide; {corridor} with root tearing at its sides", { width, corridor: quantity(of("corridor_width_m"), "m") })
      : say("{width} wide", { width }),
    rule ? [" (", rule, ")"] : null,
  ];
}

function breachList(run) {
  const rows = study.breachesOfRun(run);
  const title = say("Trees that open cut would affect");
  if (!rows.length) return [make("h3", {}, title), make("p", {}, noBreaches(run))];
  const of = (name, row) => study.breaches.get(name, row);
  return [make("h3", {}, title), dataTable(title,
    [say("Tree"), say("Severity"), say("Zone severed"), say("Zone dug"), say("Trench edge to stem"), say("From\u2013to")],
    rows.map((row) => [[treeText(of("tree", row)), doubtsOf(row)], [severityName(of("severity", row)), leastMark(of("is_within_least", row))],
      percent(of("severed_share", row)), percent(of("footprint_share", row)), quantity(of("stem_edge_m", row), "m"),
      make("span", { class: "unbroken" }, `${number(of("from_m", row), 1)}\u2013${number(of("to_m", row), 1)}\u00a0m`)]), { id: "breach-table" })];
}

function noBreaches(run) {
  if (study.runs.get("severity", run) !== null) return say("None.");
  return study.runs.get("width_m", run) === null ? say("Not known: the size of the pipe is not known.")
    : say("Not assessed: there are no root zones.");
}

// What the impact of one run on one tree rests on, where it is not certain.
function doubtsOf(row) {
  const guessed = String(study.trees.get("estimated", study.breaches.get("tree", row)) || "");
  const words = [...guessed.split("; ").filter(Boolean).map((part) => codeWord("estimated", part)), positionDoubt(row)].filter(Boolean);
  return words.length ? make("span", { class: "remedy" }, words.join("; ")) : null;
}

function positionDoubt(row) {
  const [isUnsure, accuracy] = ["is_unsure", "position_sd_m"].map((name) => study.breaches.get(name, row));
  if (isUnsure === null) return say("position accuracy not known");
  if (!isUnsure) return null;
  return accuracy === null ? say("position uncertain") : say("position uncertain, accuracy {accuracy}", { accuracy: quantity(accuracy, "m") });
}

function treeText(tree) {
  const id = study.trees.get("tree_id", tree);
  return id === null ? notKnown() : linkTo("tree", id);
}

function runText(run) {
  const id = study.runs.get("run_id", run);
  return id === null ? notKnown() : linkTo("run", id);
}

function crossingList(run) {
  const rows = study.crossingsOfRun(run);
  if (!rows.length) return null;
  const of = (name, row) => study.services.get(name, study.crossings.get("service", row));
  return [make("h3", {}, say("Crossing services")), dataTable(say("Crossing services"),
    [say("Service"), say("Kind"), say("At"), say("Depth"), say("Size")],
    rows.map((row) => [named(of("service_id", row)), codeWord("service", of("kind", row)),
      quantity(study.crossings.get("chainage_m", row), "m", 1), quantity(of("depth_m", row), "m"),
      quantity(of("diameter_mm", row), "mm")]))];
}

function verdictMark(code) {
  return make("span", { class: `verdict verdict-${VERDICT_SIGNS[code] ? code : "other"}` },
    make("b", { "aria-hidden": "true" }, VERDICT_SIGNS[code] || "\u00b7"), ` ${codeWord("verdict", code)}`);
}

function optionList(detail, id) {
  const rows = detail.rowsOf("options");
  if (!rows.length) return null;
  const of = (name, row) => detail.options.get(name, row);
  const more = [[say("Dug or severed, m\u00b2"), "root_m2"], [say("CO\u2082e, kg"), "co2e_kg"]]
    .filter(([, name]) => detail.options.has(name));
  const hasShares = detail.options.has("share_best") && rows.some((row) => of("share_best", row) !== null);
  const heads = [say("Technique"), say("Verdict"), say("New bore, capacity"), ...more.map(([head]) => head), ...(hasShares ? [say("Best in draws")] : [])];
  const shares = (row) => (hasShares ? [of("share_best", row) === null ? "" : percent(of("share_best", row))] : []);
  return [make("h3", {}, say("Techniques compared")), dataTable(say("Techniques compared"), heads,
    rows.map((row) => [[techniqueName(of("technique", row)), isLaidBy(id, of("technique", row)) ? make("span", { class: "remedy" }, say("on a new line")) : null],
      [verdictMark(of("verdict", row)), of("n_unknown", row) ? make("span", { class: "remedy" }, sayMany("{n} check not known", "{n} checks not known", { n: of("n_unknown", row) })) : null],
      [boreText(of("new_bore_mm", row), of("new_height_mm", row)), make("span", { class: "remedy" }, quantity(of("capacity_l_s", row), "l/s", 0))],
      ...more.map(([, name]) => (of(name, row) === null ? notKnown() : grouped(of(name, row)))), ...shares(row)]).concat(newLineRows(id, more, hasShares)), { id: "option-table" }),
  detail.options.has("root_m2") ? make("p", { class: "remedy" }, say("Dug or severed: root zone that the works dig up and, for open cut, what the trench severs from its tree; summed over trees.")) : null];
}

// Row of the new line that is offered for a run; none where none was found, or where open cut is laid on it.
const newLineOf = (id) => study.newLineOfRun(id).filter((row) => study.new_lines.get("verdict", row) && !study.new_lines.get("is_recommended", row));

// Whether a technique of a run is laid on a new line: what is recommended then.
function isLaidBy(id, technique) {
  const run = study.rows.run.get(id);
  return study.laidRow.has(run) && technique === study.runs.get("technique", run);
}

// The new line that was sought for a run, beside the techniques: compared with them, and an offer.
function newLineRows(id, more, hasShares) {
  const of = (name, row) => study.new_lines.get(name, row);
  return newLineOf(id).map((row) => [
    [say("New line"), make("span", { class: "remedy" }, say("an offer: not in the totals"))],
    [verdictMark(of("verdict", row)), of("n_unknown", row) ? make("span", { class: "remedy" }, sayMany("{n} check not known", "{n} checks not known", { n: of("n_unknown", row) })) : null],
    [boreText(of("new_bore_mm", row), null), make("span", { class: "remedy" }, quantity(of("capacity_l_s", row), "l/s", 0))],
    ...more.map(([, name]) => (of(name, row) === null ? notKnown() : grouped(of(name, row)))), ...(hasShares ? [""] : [])]);
}

function costUnit() {
  for (let row = 0; row < study.totals.n; row += 1) {
    if (study.totals.get("quantity", row) === "Cost" && study.totals.get("unit", row)) return word(study.totals.get("unit", row));
  }
  return "";
}

const moneyText = (value) => (value === null ? notKnown() : `${grouped(value)} ${costUnit()}`);

function costHead() {
  return costUnit() ? say("First cost, {currency}", { currency: costUnit() }) : say("First cost");
}

// Checks of one technique at a time; the recommended one first.
function checkList(detail, recommended) {
  const rows = detail.rowsOf("checks");
  const title = make("h3", {}, say("Checks"));
  if (!rows.length) return [title, make("p", {}, say("No checks were made for this run."))];
  const groups = new Map();
  for (const row of rows) {
    const technique = detail.checks.get("technique", row);
    groups.set(technique, [...(groups.get(technique) || []), row]);
  }
  const ofNewLine = detail.rowsOf("new_line_checks");
  const techniques = [...groups.keys(), ...(ofNewLine.length ? [NEW_LINE] : [])];
  const nameOf = (technique) => (technique === NEW_LINE ? say("New line") : techniqueName(technique));
  const chosen = groups.has(recommended) ? recommended : techniques[0];
  const place = make("div", { id: "check-place" });
  const show = (technique) => {
    const [checks, shown] = technique === NEW_LINE ? [detail.new_line_checks, ofNewLine] : [detail.checks, groups.get(technique)];
    place.replaceChildren(dataTable(say("Checks: {technique}", { technique: nameOf(technique) }),
      [say("Check"), say("Verdict"), say("Value"), say("Limit"), say("Source")], shown.map((row) => checkRow(checks, row)), { id: "check-table" }));
  };
  show(chosen);
  return [title, make("p", {}, make("label", { for: "check-technique" }, say("Technique"), " "),
    make("select", { id: "check-technique", onchange: (event) => show(techniques[Number(event.target.value)]) },
      techniques.map((code, i) => make("option", { value: i, selected: code === chosen }, nameOf(code))))), place];
}

// No technique has this code: the checks of the new line stand beside those of the techniques.
const NEW_LINE = "new line";

function checkRow(checks, row) {
  const of = (name) => checks.get(name, row);
  return [checkName(checks, row),
    verdictMark(of("verdict")), textOf(checks, "value_text", row) || measured(of("value"), of("unit")),
    textOf(checks, "limit_text", row) || measured(of("limit"), of("unit")), make("span", { class: "source" }, sourceText(of("source")))];
}

// A check that did not pass says what would settle it, and what it rests on that is assumed.
function checkName(checks, row) {
  const name = checks.get("check", row);
  const [assumed, step] = ["assumed", "next_step"].map((column) => textOf(checks, column, row));
  return [name === null ? notKnown() : tell(nameStatement(name)),
    assumed ? make("span", { class: "remedy" }, say("Assumed, not known"), ": ", assumed, ".") : null,
    step ? make("span", { class: "remedy" }, step) : null];
}

// The catalogues hold names of checks as they stand within a sentence.
const nameStatement = (name) => ["^", { t: [name.slice(0, 1).toLowerCase() + name.slice(1)] }];

// As reasons write them.
const SHARES = {
  "share of bore": (share) => say("{share} % of bore", { share }),
  "share of height": (share) => say("{share} % of height", { share }),
  "share of section": (share) => say("{share} % of section", { share }),
};

function measured(value, unit) {
  if (value === null) return notKnown();
  if (typeof value !== "number") return String(value);
  if (unit === "yes/no") return value ? say("yes") : say("no");
  if (unit === "share") return percent(value);
  if (Object.hasOwn(SHARES, unit)) return SHARES[unit](number(100 * value, 1));
  return unit && unit !== "-" ? quantity(value, word(unit), 3) : number(value, 3);
}

function observationList(detail) {
  const rows = detail.rowsOf("inspections");
  if (!rows.length) return null;
  const of = (name, row) => detail.inspections.get(name, row);
  return [make("h3", {}, say("Inspection observations")), dataTable(say("Inspection observations"), [say("At"), say("Code"), say("Kind"), say("Amount"), say("Clock position"), say("Joint")],
    rows.map((row) => [quantity(of("chainage_m", row), "m", 1), codeText(of, row),
      of("characterisation", row) ?? "", of("quantification", row) ?? "", of("clock", row) ?? "",
      yesNo(of("at_joint", row))]))];
}

// A question mark: not understood, or of a kind that is not known.
function codeText(of, row) {
  return `${of("code", row) ?? ""}${of("is_kind_known", row) ? "" : "?"}`;
}

// Roots that an inspection found near a tree, of a run or of a tree; `place` names the other end.
function rootLinks(title, rows, head, place) {
  if (!rows.length) return null;
  const of = (name, row) => study.root_links.get(name, row);
  return [make("h3", {}, title), dataTable(title,
    [head, say("Along the run"), say("To the stem"), say("In root zone"), say("Share of bore")],
    rows.map((row) => [place(row), quantity(of("chainage_m", row), "m", 1), quantity(of("distance_m", row), "m"),
      yesNo(of("is_in_zone", row)), percent(of("root_share", row))]), { id: "root-table" })];
}

// A tree that roots were found near, with its species below.
function rootedTree(row) {
  const species = study.root_links.get("species", row);
  return [treeText(study.root_links.get("tree", row)), make("span", { class: "remedy" }, species === null ? say("species not known") : species)];
}

function digsOf(runId) {
  const rows = runId === null ? [] : study.digsOfRun(runId);
  const of = (name, row) => study.digs.get(name, row);
  const digs = rows.filter((row) => !isRobot(row));
  const robots = rows.filter(isRobot);
  return [
    digs.length ? [make("h3", {}, say("Small digs that remain")), dataTable(say("Small digs that remain"), [say("Dig"), say("Purpose"), say("Method"), say("In root zones"), say("Most affected tree")],
      digs.map((row) => [linkTo("dig", of("dig_id", row)), codeWord("dig", of("kind", row)), codeWord("method", of("method", row)),
        quantity(of("zone_overlap_m2", row), "m\u00b2"), worstTree(of, row)]))] : null,
    robots.length ? [make("h3", {}, say("Connections reopened by robot")), make("p", { id: "robot-list" },
      sayMany("{n} connection, from inside, without digging", "{n} connections, from inside, without digging", { n: robots.length }), ": ",
      robots.map((row, i) => [i ? ", " : "", named(of("connection_id", row))]))] : null,
  ];
}

function worstTree(of, row) {
  const id = of("worst_tree", row);
  if (!id) return say("none");
  const share = of("worst_share", row);
  return make("span", {}, study.rows.tree.has(String(id)) ? linkTo("tree", id) : String(id),
    share === null ? "" : [", ", say("{share} of its zone", { share: percent(share) })]);
}

function decisionsOf(column, id) {
  const rows = [];
  for (let row = 0; row < study.decisions.n; row += 1) {
    if (id !== null && study.decisions.get(column, row) === id) rows.push(row);
  }
  return rows.length ? [make("h3", {}, say("Decisions")), decisionTable(rows)] : null;
}

function decisionTable(rows) {
  const of = (name, row) => study.decisions.get(name, row);
  return dataTable(say("Decisions"), [say("Run"), say("Tree"), say("Decision"), say("Technique"), say("By"), say("Reason")],
    rows.map((row) => [of("run_id", row) ?? "", of("tree_id", row) ?? "", codeWord("decision", of("decision", row)),
      of("technique", row) ? techniqueName(of("technique", row)) : "", raw(of("by", row)), raw(of("reason", row))]));
}
