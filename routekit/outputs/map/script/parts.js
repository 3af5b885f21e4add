// The pages of a tree, a pit, a string, a small dig and a manhole.

function factsOf(table, row, skip) {
  return factList(table.names.filter((name) => !skip.includes(name) && table.get(name, row) !== null)
    .map((name) => nameAndValue(name, table.get(name, row))));
}

function treeCard(tree) {
  const of = (name) => study.trees.get(name, tree);
  const standing = [["is_protected", "protected"], ["is_veteran", "veteran"], ["is_columnar", "columnar"]]
    .filter(([name]) => of(name)).map(([, word]) => word);
  if (of("is_protected") === null) standing.push("protection not known");
  const balance = study.tree_balance.groupBy("tree", study.trees.n)(tree);
  return [
    make("h2", {}, `Tree ${named(of("tree_id"))}`),
    make("p", { class: "verdict-line" }, make("strong", {}, said(of("species"))), standing.length ? ` (${standing.join(", ")})` : ""),
    of("no_pit_text") ? make("p", { class: "verdict-line" }, warning(of("no_pit_text"))) : null,
    factList([
      ["Stem", said(of("stem_text"))],
      ["Crown, height", crownText(of("crown_diameter_m"), of("height_m"))],
      ["Age, category", `${said(of("age_class"))}, ${said(of("category"))}`],
      ["Protection zone", of("radius_m") === null ? `drawn outline, ${quantity(of("area_m2"), "m\u00b2", 1)}` : `radius ${quantity(of("radius_m"), "m")}, ${quantity(of("area_m2"), "m\u00b2", 1)}${of("is_capped") ? ", capped" : ""}`],
      ["Structural zone", of("structural_radius_m") === null ? NOT_KNOWN : `radius ${quantity(of("structural_radius_m"), "m")}`],
      ["Zone rule", of("basis") || said(of("regime"))],
      of("position_sd_m") === null ? null : ["Position accuracy", quantity(of("position_sd_m"), "m")],
    ]),
    make("h3", {}, "If every run were open cut"),
    factList([
      ["Impact", of("n_runs") ? severityName(of("severity")) : "No run reaches its zone"],
      of("n_runs") ? ["Zone severed", `${percent(of("severed_share"))}, ${quantity(of("severed_m2"), "m\u00b2")}`] : null,
      of("n_runs") ? ["Zone dug", `${percent(of("footprint_share"))}, ${quantity(of("footprint_m2"), "m\u00b2")}`] : null,
      of("n_runs") ? ["Trench edge to stem centre", quantity(of("stem_edge_m"), "m")] : null,
    ]),
    balance.map(balanceOf),
    treeBreaches(tree),
    rootLinks("Roots found in runs near it", study.linksOfTree(tree), "Run", (row) => runText(study.root_links.get("run", row))),
    decisionsOf("tree_id", of("tree_id")),
  ];
}

function crownText(across, high) {
  const parts = [across === null ? null : `${quantity(across, "m", 1)} across`, high === null ? null : `${quantity(high, "m", 1)} high`];
  return parts.filter(Boolean).join(", ") || NOT_KNOWN;
}

// What open cut of the runs to be worked on would take of a tree, beside what the works take.
function balanceOf(row) {
  const of = (name) => study.tree_balance.get(name, row);
  const area = (share, name) => `${percent(of(share))}${of(name) === null ? "" : `, ${quantity(of(name), "m\u00b2")}`}`;
  const plan = of("is_touched") === false ? "None" : severityName(of("severity"));
  return [make("h3", {}, "Open cut compared with the recommended works"),
    dataTable("Open cut of the runs to be worked on, compared with the recommended works", ["", "Open cut", "Recommended"], [
      ["Impact", severityName(of("open_cut_severity")), of("is_careful_structural") ? `${plan}, careful dig in the structural zone` : plan],
      ["Zone dug", area("open_cut_footprint_share", "open_cut_footprint_m2"), area("footprint_share", "footprint_m2")],
      ["Zone dug or severed", percent(of("open_cut_severed_share")), area("loss_share", "loss_m2")],
    ]),
    factList([
      of("touched_by") ? ["Affected by", of("touched_by")] : null,
      of("working_method") ? ["Working method", of("working_method")] : null,
      of("spared_m2") < 0 ? ["Note", "the works dig up more of this zone than a trench would"] : null,
    ])];
}

function treeBreaches(tree) {
  const rows = study.breachesOfTree(tree);
  if (!rows.length) return null;
  const of = (name, row) => study.breaches.get(name, row);
  return [make("h3", {}, "Runs through its zone"), dataTable("Runs through its zone",
    ["Run", "Impact", "Zone severed", "Trench edge to stem centre", "Recommended"],
    rows.map((row) => [runText(of("run", row)), severityName(of("severity", row)), percent(of("severed_share", row)),
      quantity(of("stem_edge_m", row), "m"), techniqueName(study.runs.get("technique", of("run", row)))]))];
}

function pitCard(pit) {
  const of = (name) => study.pits.get(name, pit);
  const stems = study.pits.outlines.isEmpty(pit) ? [] : nearestStems(pit, 3);
  return [
    make("h2", {}, `Pit ${named(of("pit_id"))}`),
    make("p", { class: "verdict-line" }, make("strong", {}, capital(pitName(pit))),
      of("is_clear") === null ? "" : of("is_clear") ? `, clear${doubtOfPlace(study.pits, pit)}` : ", no clear position found"),
    factList([
      ["At manhole", manholeText(of("manhole_id"))],
      ["Size", `${number(of("length_m"), 1)} \u00d7 ${quantity(of("width_m"), "m", 1)}, ${quantity(of("depth_m"), "m", 1)} deep`],
      ["Excavated volume", quantity(of("volume_m3"), "m\u00b3", 1)],
      ["In root zones", inRootZones(of)],
      ["Most affected tree", worstTree((name) => of(name), pit)],
      of("is_structural") ? ["Structural roots", "affected"] : null,
      of("structural_m2") ? ["In structural zones", quantity(of("structural_m2"), "m\u00b2")] : null,
      of("may_be_structural") ? ["Position", warning("may be in a structural zone: survey pipe and stem first")] : null,
      of("is_near_stem") ? ["Stem", warning("too close: nothing may be dug here")] : null,
      streetFact(of),
      of("method") ? ["Digging method", plain(of("method"))] : null,
      ["What it affects", said(of("why"))],
      of("would_free") ? ["What would clear it", of("would_free")] : null,
    ]),
    pitSketch(pit),
    stems.length ? [make("h3", {}, "Nearest stems"), dataTable("Nearest stems", ["Tree", "Edge of pit to stem", "Its zone"],
      stems.map((stem) => [treeText(stem.tree), quantity(stem.away, "m"), quantity(study.trees.get("radius_m", stem.tree), "m")]))] : null,
    stringsOfPit(of("pit_id")),
  ];
}

// What the doubt about positions leaves open of a pit or dig.
function doubtOfPlace(table, row) {
  const unsure = table.has("is_unsure") ? table.get("is_unsure", row) : false;
  if (unsure === null) return " as drawn, position accuracy not known";
  return unsure ? " as drawn, position uncertain" : "";
}

// Ground in root zones, and below it the zone of each tree where it lies in several.
function inRootZones(of) {
  const trees = String(of("zone_by_tree") ?? "").split("; ").filter(Boolean);
  return [quantity(of("zone_overlap_m2"), "m\u00b2"), trees.length > 1 ? make("span", { class: "remedy" },
    `overlapping zones counted once; by tree: ${trees.map((one) => `${one}\u00a0m\u00b2`).join(", ")}`) : null];
}

// A pit goes by one name everywhere: its role in the table.
function pitName(pit) {
  const role = study.pits.get("role", pit);
  return role ? `${plain(role)} pit` : "pit";
}

function streetFact(of) {
  const taken = [["carriageway_m2", "carriageway"], ["parking_m2", "parking"], ["footway_m2", "footway"]]
    .filter(([name]) => of(name)).map(([name, word]) => `${quantity(of(name), "m\u00b2", 1)} of ${word}`);
  return taken.length ? ["Occupies", taken.join(", ")] : null;
}

function stringsOfPit(pitId) {
  const found = [];
  for (let row = 0; row < study.strings.n; row += 1) {
    if ([study.strings.get("launch_pit", row), study.strings.get("reception_pit", row)].includes(pitId)) {
      found.push(make("li", {}, linkTo("string", study.strings.get("string_id", row))));
    }
  }
  return found.length && pitId !== null ? [make("h3", {}, "Strings it serves"), make("ul", {}, found)] : null;
}

function stringCard(row) {
  const of = (name) => study.strings.get(name, row);
  const runs = runIdsOf(row);
  const pit = (end, name) => {
    const [id, place] = [of(name), study.rows.pit.get(String(of(name)))];
    if (place !== undefined) return [capital(pitName(place)), linkTo("pit", id)];
    return [capital(`${end} pit`), id ? String(id) : "none: the manhole serves"];
  };
  const over = overWords(row);
  const [likely, high] = [percent(of("utilisation")), percent(of("utilisation_high"))];
  return [
    make("h2", {}, `String ${named(of("string_id"))}`),
    over.length ? make("p", { class: "verdict-line", id: "pull-warning" }, warning(`${capital(over.join("; "))}: confirm before award.`)) : null,
    of("laydown_room") === "no room" ? make("p", { class: "verdict-line", id: "room-warning" }, warning("There is no room to lay out even one pipe length behind the launch pit: choose the other end, or another technique.")) : null,
    factList([
      ["Runs in order", runs.map((id, i) => [i ? ", " : "", study.rows.run.has(id) ? linkTo("run", id) : id])],
      ["From, to manhole", [manholeText(of("from_manhole")), ", ", manholeText(of("to_manhole"))]],
      ["Length", quantity(of("length_m"), "m", 1)],
      pit("launch", "launch_pit"),
      pit("reception", "reception_pit"),
      ["New pipe", `outside ${quantity(of("new_outside_mm"), "mm")}, SDR ${said(of("sdr"))}`],
      ["Pull on the pipe", `${number(of("pull_low_kn"), 0)} to ${quantity(of("pull_high_kn"), "kN", 0)}, likely ${number(of("pull_mid_kn"), 0)}`],
      ["Allowable pull of the pipe", quantity(of("allowable_kn"), "kN", 0)],
      ["Utilisation", [of("utilisation_high") === null ? likely : `${likely} at the likely estimate, ${high} at the high one`,
        overAt(row, "pull") === null ? null : [" ", warning("over")]]],
      of("machine_mid_kn") === null ? null : ["Pull at the machine", [`${number(of("machine_low_kn"), 0)} to ${quantity(of("machine_high_kn"), "kN", 0)}, likely ${number(of("machine_mid_kn"), 0)}; rated for ${quantity(of("machine_limit_kn"), "kN", 0)}`,
        overAt(row, "machine") === null ? null : [" ", warning("over")]]],
      ["Welds", number(of("weld_count"))],
      of("overlap_m") === null ? null : ["Relaxation allowance", `${quantity(of("overlap_m"), "m", 1)} beyond the length`],
      of("pulled") ? ["Pulled", plain(of("pulled"))] : null,
      of("difficulty") ? ["Difficulty", plain(of("difficulty"))] : null,
      of("over_limit") ? ["Limits exceeded", plain(of("over_limit"))] : null,
      of("laydown_available_m") === null ? null : ["Laydown", `${quantity(of("laydown_available_m"), "m", 1)} free${of("laydown_stages") > 1 ? `, welded in ${number(of("laydown_stages"))} stages` : ""}`],
      of("laydown_text") ? ["Room to lay out the pipe", of("laydown_text")] : null,
      of("start_reason") ? ["Starts here because", of("start_reason")] : null,
      of("end_reason") ? ["Ends here because", of("end_reason")] : null,
      of("to_confirm") ? ["To confirm on site", of("to_confirm")] : null,
    ]),
  ];
}

function digCard(row) {
  const of = (name) => study.digs.get(name, row);
  const robot = isRobot(row);
  return [make("h2", {}, `${robot ? "Reopening" : "Dig"} ${named(of("dig_id"))}`), factList([
    ["Purpose", said(of("kind"))],
    ["Method", said(of("method"))],
    ["Run", study.rows.run.has(String(of("run_id"))) ? linkTo("run", of("run_id")) : named(of("run_id"))],
    ["Connection", of("connection_id") === null ? "none" : named(of("connection_id"))],
    ["Excavated", robot ? "nothing: from inside the pipe" : quantity(of("footprint_m2"), "m\u00b2")],
    robot ? null : ["In root zones", inRootZones(of)],
    robot ? null : ["Most affected tree", worstTree((name) => of(name), row)],
    of("position_doubt") ? ["Position", of("may_be_structural") ? warning(of("position_doubt")) : of("position_doubt")] : null,
    of("is_near_stem") ? ["Stem", warning("too close: nothing may be dug here")] : null,
  ])];
}

function manholeCard(row) {
  const id = study.manholes.get("manhole_id", row);
  const runs = [];
  for (let run = 0; run < study.runs.n; run += 1) {
    if ([study.runs.get("from_manhole", run), study.runs.get("to_manhole", run)].includes(id)) runs.push(run);
  }
  const pits = [];
  for (let pit = 0; pit < study.pits.n; pit += 1) {
    if (study.pits.get("manhole_id", pit) === id) pits.push(pit);
  }
  return [make("h2", {}, `Manhole ${named(id)}`), factsOf(study.manholes, row, ["manhole_id"]),
    make("h3", {}, "Runs that meet here"), runs.length ? make("ul", {}, runs.map((run) => (
      make("li", {}, runText(run), `: ${techniqueName(study.runs.get("technique", run))}`)))) : make("p", {}, "None."),
    pits.length ? [make("h3", {}, "Pits here"), make("ul", {}, pits.map((pit) => make("li", {},
      linkTo("pit", study.pits.get("pit_id", pit)), `, ${pitName(pit)}`)))] : null];
}

const CARDS = { run: runCard, tree: treeCard, pit: pitCard, string: stringCard, dig: digCard, manhole: manholeCard };
