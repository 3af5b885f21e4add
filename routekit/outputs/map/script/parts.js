// The pages of a tree, a pit, a string, a small dig and a manhole.

function treeCard(tree) {
  const of = (name) => study.trees.get(name, tree);
  const standing = [of("is_protected") ? say("protected") : null, of("is_veteran") ? say("veteran") : null,
    of("is_columnar") ? say("columnar") : null, of("is_protected") === null ? say("protection not known") : null].filter(Boolean);
  const balance = study.balanceOfTree(tree);
  return [
    make("h2", {}, TITLES.tree(named(of("tree_id")))),
    make("p", { class: "verdict-line" }, make("strong", {}, named(of("species"))), standing.length ? ` (${standing.join(", ")})` : ""),
    factList([
      [say("Stem"), textOf(study.trees, "stem_text", tree) || notKnown()],
      [say("Crown, height"), crownText(of("crown_diameter_m"), of("height_m"))],
      [say("Age, category"), `${codeWord("age", of("age_class"))}, ${named(of("category"))}`],
      [say("Protection zone"), zoneText(tree)],
      [say("Structural zone"), of("structural_radius_m") === null ? notKnown() : say("radius {radius}", { radius: quantity(of("structural_radius_m"), "m") })],
      of("min_distance_m") === 0 ? null : [say("Least distance for digging"), of("min_distance_m") === null ? notKnown()
        : say("{distance} from the stem centre; nearer needs an exception", { distance: quantity(of("min_distance_m"), "m") })],
      [say("Zone rule"), textOf(study.trees, "basis", tree) || named(of("regime"))],
      of("is_from_raster") ? [say("Known from"), say("the canopy raster: the point is the top of the crown, not the stem; it may be a hedge or a mast")] : null,
      of("position_sd_m") === null ? null : [say("Position accuracy"), quantity(of("position_sd_m"), "m")],
    ]),
    make("h3", {}, say("If every run were open cut")),
    factList(everyRunCut(of)),
    balance.map(balanceOf),
    treeBreaches(tree),
    rootLinks(say("Roots found in runs near it"), study.linksOfTree(tree), say("Run"), (row) => runText(study.root_links.get("run", row))),
    decisionsOf("tree_id", of("tree_id")),
  ];
}

// What open cut of every run would take of a tree; what reaches no zone is nothing only where the zone is known.
function everyRunCut(of) {
  const isOpen = !of("is_zone_known");
  if (!of("n_runs")) {
    return [[say("Severity"), isOpen ? notKnown() : say("No run reaches its zone")],
      leastFact(isOpen && of("min_distance_m") !== 0 ? null : false)];
  }
  return [
    [say("Severity"), severityName(of("severity"))],
    [say("Zone severed"), `${percent(of("severed_share"))}, ${quantity(of("severed_m2"), "m\u00b2")}`],
    [say("Zone dug"), `${percent(of("footprint_share"))}, ${quantity(of("footprint_m2"), "m\u00b2")}`],
    [say("Trench edge to stem centre"), quantity(of("stem_edge_m"), "m")],
    leastFact(of("is_within_least")),
  ];
}

// A rule broken, beside the words of severity and never in place of them.
function leastFact(within) {
  if (within === null) return [say("Least distance"), say("not known whether it is kept")];
  return within ? [say("Least distance"), warning(say("nearer than the least distance: needs an exception"))] : null;
}

function zoneText(tree) {
  const of = (name) => study.trees.get(name, tree);
  const area = quantity(of("area_m2"), "m\u00b2", 1);
  if (of("radius_m") === null) return say("drawn outline, {area}", { area });
  const radius = quantity(of("radius_m"), "m");
  return of("is_capped") ? say("radius {radius}, {area}, capped", { radius, area }) : say("radius {radius}, {area}", { radius, area });
}

function crownText(across, high) {
  const parts = [across === null ? null : say("{width} across", { width: quantity(across, "m", 1) }),
    high === null ? null : say("{height} high", { height: quantity(high, "m", 1) })];
  return parts.filter(Boolean).join(", ") || notKnown();
}

// What open cut of the runs to be worked on would take of a tree, beside what the works take.
function balanceOf(row) {
  const of = (name) => study.tree_balance.get(name, row);
  const area = (share, name) => `${percent(of(share))}${of(name) === null ? "" : `, ${quantity(of(name), "m\u00b2")}`}`;
  const [open, severity] = ["open_cut_severity", "severity"].map((name) => (of(name) ? harmWord(of(name)) : severityName(null)));
  const title = say("Open cut of the runs to be worked on, compared with the recommended works");
  return [make("h3", {}, say("Open cut compared with the recommended works")),
    dataTable(title, ["", say("Open cut"), say("Recommended")], [
      [say("Severity"), open,
        of("is_careful_structural") ? say("{severity}, careful dig in the structural zone", { severity }) : severity],
      [say("Zone dug"), area("open_cut_footprint_share", "open_cut_footprint_m2"), area("footprint_share", "footprint_m2")],
      [say("Zone dug or severed"), percent(of("open_cut_severed_share")), area("loss_share", "loss_m2")],
    ]),
    factList([
      factOf(say("Affected by"), textOf(study.tree_balance, "touched_by", row)),
      leastFact(of("is_within_least")),
      factOf(say("Working method"), textOf(study.tree_balance, "working_method", row)),
      of("is_provisional") ? [say("Note"), warning(say("provisional: a work at a run that nobody has inspected reaches it"))] : null,
      of("takes_more") ? [say("Note"), say("the works dig up more of this zone than a trench would")] : null,
    ])];
}

function leastMark(within) {
  if (within === null) return make("span", { class: "remedy" }, say("least distance not known"));
  return within ? [" ", warning(say("nearer than the least distance"))] : null;
}

function treeBreaches(tree) {
  const rows = study.breachesOfTree(tree);
  if (!rows.length) return null;
  const of = (name, row) => study.breaches.get(name, row);
  return [make("h3", {}, say("Runs through its zone")), dataTable(say("Runs through its zone"),
    [say("Run"), say("Severity"), say("Zone severed"), say("Trench edge to stem centre"), say("Recommended")],
    rows.map((row) => [runText(of("run", row)), [severityName(of("severity", row)), leastMark(of("is_within_least", row))], percent(of("severed_share", row)),
      quantity(of("stem_edge_m", row), "m"), techniqueName(study.runs.get("technique", of("run", row)))]))];
}

function pitCard(pit) {
  const of = (name) => study.pits.get(name, pit);
  const stems = study.pits.outlines.isEmpty(pit) ? [] : stemsNear(pit);
  return [
    make("h2", {}, TITLES.pit(named(of("pit_id")))),
    make("p", { class: "verdict-line" }, make("strong", {}, raiseFirst(pitName(pit))), placeOfPit(pit)),
    factList([
      [say("At manhole"), manholeText(of("manhole_id"))],
      [say("Size"), say("{length} \u00d7 {width}, {depth} deep", { length: number(of("length_m"), 1), width: quantity(of("width_m"), "m", 1), depth: quantity(of("depth_m"), "m", 1) })],
      [say("Excavated volume"), quantity(of("volume_m3"), "m\u00b3", 1)],
      [say("In root zones"), inRootZones(of, of("pit_id"))],
      [say("Most affected tree"), worstTree((name) => of(name), pit)],
      of("is_structural") ? [say("Structural roots"), say("affected")] : null,
      of("structural_m2") ? [say("In structural zones"), quantity(of("structural_m2"), "m\u00b2")] : null,
      of("may_be_structural") ? [say("Position"), warning(say("may be in a structural zone: survey pipe and stem first"))] : null,
      leastFact(of("is_within_least")),
      stemFact(of("is_near_stem")),
      streetFact(of),
      of("method") ? [say("Digging method"), codeWord("method", of("method"))] : null,
      [say("What it affects"), textOf(study.pits, "why", pit) || notKnown()],
      factOf(say("What would clear it"), textOf(study.pits, "would_free", pit)),
    ]),
    pitSketch(pit),
    stems.length ? [make("h3", {}, say("Nearest stems")), dataTable(say("Nearest stems"), [say("Tree"), say("Edge of pit to stem"), say("Radius of its zone")],
      stems.map((stem) => [treeText(stem.tree), quantity(stem.away, "m"), quantity(study.trees.get("radius_m", stem.tree), "m")]))] : null,
    stringsOfPit(of("pit_id")),
  ];
}

// Whether the place of a pit is clear, and what the doubt about positions leaves open.
function placeOfPit(pit) {
  const isClear = study.pits.get("is_clear", pit);
  if (isClear === null) return "";
  const unsure = study.pits.get("is_unsure", pit);
  if (!isClear) return [", ", say("no clear position found")];
  if (unsure === null) return [", ", say("clear as drawn, position accuracy not known")];
  return [", ", unsure ? say("clear as drawn, position uncertain") : say("clear")];
}

// What is dug too close to a stem, or may be; nothing where it is not.
function stemFact(isNear) {
  if (isNear === null) return [say("Stem"), warning(say("not known whether it is too close to a stem"))];
  return isNear ? [say("Stem"), warning(say("too close: nothing may be dug here"))] : null;
}

// Ground in root zones, and below it the zone of each tree where it lies in several.
function inRootZones(of, id) {
  const trees = study.dugBy(String(id)).map((row) => `${study.dug.get("tree_id", row)} ${sayNumber(study.dug.get("footprint_m2", row), 2)}\u00a0m\u00b2`);
  return [quantity(of("zone_overlap_m2"), "m\u00b2"), trees.length > 1 ? make("span", { class: "remedy" },
    say("overlapping zones counted once; by tree: {areas}", { areas: trees.join(", ") })) : null];
}

/** @type {Record<string, () => string>} */
const PIT_NAMES = {
  launch: () => say("launch pit"),
  reception: () => say("reception pit"),
  machine: () => say("machine pit"),
};

// A pit goes by one name everywhere: its role in the table.
function pitName(pit) {
  const role = study.pits.get("role", pit);
  return Object.hasOwn(PIT_NAMES, role) ? PIT_NAMES[role]() : say("pit");
}

function streetFact(of) {
  const area = (name) => ({ area: quantity(of(name), "m\u00b2", 1) });
  const taken = [
    of("carriageway_m2") ? say("{area} of carriageway", area("carriageway_m2")) : null,
    of("parking_m2") ? say("{area} of parking", area("parking_m2")) : null,
    of("footway_m2") ? say("{area} of footway", area("footway_m2")) : null,
  ].filter(Boolean);
  return taken.length ? [say("Occupies"), taken.join(", ")] : null;
}

function stringsOfPit(pitId) {
  const found = [];
  for (let row = 0; row < study.strings.n; row += 1) {
    if ([study.strings.get("launch_pit", row), study.strings.get("reception_pit", row)].includes(pitId)) {
      found.push(make("li", {}, linkTo("string", study.strings.get("string_id", row))));
    }
  }
  return found.length && pitId !== null ? [make("h3", {}, say("Strings it serves")), make("ul", {}, found)] : null;
}

// The pit at an end of a string, by its own name where it is on the page.
function pitOf(row, column, name) {
  const id = study.strings.get(column, row);
  const place = study.rows.pit.get(String(id));
  if (place !== undefined) return [raiseFirst(pitName(place)), linkTo("pit", id)];
  return [raiseFirst(name), id ? String(id) : say("none: the manhole serves")];
}

// A force from low to high, the likely one beside it.
function pullText(of, name) {
  return { low: number(of(`${name}_low_kn`), 0), high: quantity(of(`${name}_high_kn`), "kN", 0), likely: number(of(`${name}_mid_kn`), 0) };
}

function stringCard(row) {
  const of = (name) => study.strings.get(name, row);
  const text = (name) => textOf(study.strings, name, row);
  const runs = runIdsOf(row);
  const over = overText(row);
  const [likely, high] = [percent(of("utilisation")), percent(of("utilisation_high"))];
  return [
    make("h2", {}, TITLES.string(named(of("string_id")))),
    over ? make("p", { class: "verdict-line", id: "pull-warning" }, warning([over, ". ", say("Confirm before award.")])) : null,
    of("laydown_has_room") === 0 ? make("p", { class: "verdict-line", id: "room-warning" }, warning(say("There is no room to lay out even one pipe length behind the launch pit: choose the other end, or another technique."))) : null,
    factList([
      [say("Runs in order"), runs.map((id, i) => [i ? ", " : "", study.rows.run.has(id) ? linkTo("run", id) : id])],
      [say("From, to manhole"), [manholeText(of("from_manhole")), ", ", manholeText(of("to_manhole"))]],
      [say("Length"), quantity(of("length_m"), "m", 1)],
      pitOf(row, "launch_pit", say("launch pit")),
      pitOf(row, "reception_pit", say("reception pit")),
      [say("New pipe"), say("outside {outside}, SDR {sdr}", { outside: quantity(of("new_outside_mm"), "mm"), sdr: number(of("sdr")) })],
      [say("Pull on the pipe"), say("{low} to {high}, likely {likely}", pullText(of, "pull"))],
      [say("Allowable pull of the pipe"), quantity(of("allowable_kn"), "kN", 0)],
      [say("Utilisation"), of("utilisation_high") === null ? likely : say("{likely} at the likely estimate, {high} at the high one", { likely, high })],
      factOf(say("Why it is not cut or changed"), text("over_reason")),
      of("machine_mid_kn") === null ? null : [say("Pull at the machine"), say("{low} to {high}, likely {likely}; rated for {rated}",
        { ...pullText(of, "machine"), rated: quantity(of("machine_limit_kn"), "kN", 0) })],
      [say("Welds"), number(of("weld_count"))],
      of("overlap_m") === null ? null : [say("Relaxation allowance"), say("{allowance} beyond the length", { allowance: quantity(of("overlap_m"), "m", 1) })],
      of("pulled") ? [say("Pulled"), codeWord("direction", of("pulled"))] : null,
      factOf(say("Difficulty"), text("difficulty")),
      factOf(say("Room to lay out the pipe"), text("laydown_text")),
      factOf(say("Starts here because"), text("start_reason")),
      factOf(say("Ends here because"), text("end_reason")),
      factOf(say("To confirm on site"), text("to_confirm")),
    ]),
  ];
}

function digCard(row) {
  const of = (name) => study.digs.get(name, row);
  const robot = isRobot(row);
  const doubt = textOf(study.digs, "position_doubt", row);
  const id = named(of("dig_id"));
  return [make("h2", {}, robot ? say("Reopening {id}", { id }) : TITLES.dig(id)), factList([
    [say("Purpose"), codeWord("dig", of("kind"))],
    [say("Method"), codeWord("method", of("method"))],
    [say("Run"), study.rows.run.has(String(of("run_id"))) ? linkTo("run", of("run_id")) : named(of("run_id"))],
    of("connection_id") ? [say("Connection"), String(of("connection_id"))] : of("kind") === "connection" ? [say("Connection"), notKnown()] : null,
    [say("Excavated"), robot ? say("nothing: from inside the pipe") : quantity(of("footprint_m2"), "m\u00b2")],
    robot ? null : [say("In root zones"), inRootZones(of, of("dig_id"))],
    robot ? null : [say("Most affected tree"), worstTree((name) => of(name), row)],
    of("structural_m2") ? [say("In structural zones"), quantity(of("structural_m2"), "m\u00b2")] : null,
    doubt ? [say("Position"), of("may_be_structural") ? warning(doubt) : doubt] : null,
    robot ? null : leastFact(of("is_within_least")),
    robot ? null : stemFact(of("is_near_stem")),
  ])];
}

function manholeFacts(row) {
  const of = (name) => study.manholes.get(name, row);
  /** @type {[string, string, (value: any) => string][]} */
  const facts = [
    ["cover_level_m", say("Cover level"), (value) => quantity(value, "m")],
    ["invert_level_m", say("Invert level"), (value) => quantity(value, "m")],
    ["depth_m", say("Depth"), (value) => quantity(value, "m")],
    ["chamber_length_mm", say("Length of the chamber"), (value) => quantity(value, "mm")],
    ["chamber_width_mm", say("Width of the chamber"), (value) => quantity(value, "mm")],
    ["material", say("Material"), (value) => codeWord("material", value)],
  ];
  return factList(facts.filter(([name]) => of(name) !== null).map(([name, label, write]) => [label, write(of(name))]));
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
  return [make("h2", {}, TITLES.manhole(named(id))), manholeFacts(row),
    make("h3", {}, say("Runs that meet here")), runs.length ? make("ul", {}, runs.map((run) => (
      make("li", {}, runText(run), `: ${techniqueName(study.runs.get("technique", run))}`)))) : make("p", {}, say("None.")),
    pits.length ? [make("h3", {}, say("Pits here")), make("ul", {}, pits.map((pit) => make("li", {},
      linkTo("pit", study.pits.get("pit_id", pit)), `, ${pitName(pit)}`)))] : null];
}

const CARDS = { run: runCard, tree: treeCard, pit: pitCard, string: stringCard, dig: digCard, manhole: manholeCard };
