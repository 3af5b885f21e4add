// The study as the page holds it: tables, outlines, links between them, and what is shown.

const study = { details: new Map(), photo: { n: 0 } };

const LAYERS = ["runs", "trees", "manholes", "strings", "pits", "digs", "connections", "services",
  "obstacles", "surfaces", "study_area", "laydown", "streets", "new_lines", "new_line_connections"];
const LINKS = ["alerts", "open_checks", "breaches", "dug", "root_links", "tree_balance", "crossings",
  "pit_stems"];
const LISTS = ["totals", "ways", "programme", "stages", "findings", "rules", "provenance", "decisions", "sources"];
const ID_COLUMNS = { run: ["runs", "run_id"], tree: ["trees", "tree_id"],
  manhole: ["manholes", "manhole_id"], pit: ["pits", "pit_id"], string: ["strings", "string_id"],
  dig: ["digs", "dig_id"] };

// Rows of a table by the row of another that they name, and by an id.
/** @type {[string, string, string, string][]} */
const GROUPS = [["breachesOfRun", "breaches", "run", "runs"], ["breachesOfTree", "breaches", "tree", "trees"],
  ["balanceOfTree", "tree_balance", "tree", "trees"], ["linksOfRun", "root_links", "run", "runs"],
  ["linksOfTree", "root_links", "tree", "trees"], ["crossingsOfRun", "crossings", "run", "runs"],
  ["stemsOfPit", "pit_stems", "pit", "pits"]];
const GROUPS_BY_ID = [["connectionsOfRun", "connections", "run_id"], ["digsOfRun", "digs", "run_id"],
  ["newLineOfRun", "new_lines", "run_id"], ["stagesOf", "stages", "package_id"], ["dugBy", "dug", "work_id"]];
/** @type {[string, string, number][]} */
const RADII = [["crownRadius", "crown_diameter_m", 0.5], ["zoneRadius", "radius_m", 1], ["coreRadius", "structural_radius_m", 1]];

// In steps between which the browser answers its reader.
async function openStudy(content) {
  Object.assign(study, { meta: content.meta, palette: content.palette, words: content.words, techniques: content.techniques });
  for (const name of LAYERS) {
    study[name] = new Table(content[name]);
    study[name].outlines = new Outlines(content[name].g);
    await breathe();
  }
  study.trees.crowns = new Outlines(content.trees.crown);
  await breathe();
  study.trees.zones = new Outlines(content.trees.zone);
  await breathe();
  for (const name of [...LINKS, ...LISTS]) study[name] = new Table(content[name]);
  [study.cellsEast, study.cellsNorth] = content.meta.cells_per_m;
  study.cells = (study.cellsEast + study.cellsNorth) / 2;
  study.rows = {};
  for (const [kind, [layer, id]] of Object.entries(ID_COLUMNS)) {
    study.rows[kind] = study[layer].rowsById(id);
    await breathe();
  }
  rankRuns();
  await breathe();
  for (const [name, table, column, of] of GROUPS) {
    study[name] = study[table].groupBy(column, study[of].n);
    await breathe();
  }
  for (const [name, table, column] of GROUPS_BY_ID) {
    study[name] = groupById(study[table], column);
    await breathe();
  }
  study.laidRow = findLaid();
  study.isShown = new Uint8Array(study.runs.n).fill(1);
  for (const [name, column, share] of RADII) {
    study.trees[name] = measureTrees(column, share);
    await breathe();
  }
  if (content.photo) openPhoto(content.photo);
}

// Rows of a table by the text of a column; gives a function from an id to its rows.
function groupById(table, name) {
  const groups = new Map();
  for (let row = 0; row < table.n; row += 1) {
    const id = table.get(name, row);
    if (id === null) continue;
    if (!groups.has(String(id))) groups.set(String(id), []);
    groups.get(String(id)).push(row);
  }
  return (id) => groups.get(String(id)) || [];
}

// New lines on which runs are laid, by the row of the run.
function findLaid() {
  const laid = new Map();
  for (let row = 0; row < study.new_lines.n; row += 1) {
    if (study.new_lines.get("is_recommended", row)) laid.set(study.rows.run.get(String(study.new_lines.get("run_id", row))), row);
  }
  return laid;
}

function runIdsOf(string) {
  return String(study.strings.get("run_ids", string) ?? "").split(";").map((id) => id.trim()).filter(Boolean);
}

function runsOfString(string) {
  return runIdsOf(string).map((id) => study.rows.run.get(id)).filter((row) => row !== undefined);
}

// What is done from inside the pipe is no dig.
function isRobot(dig) {
  return !study.digs.get("opens_ground", dig);
}

// What limits a string exceeds, in words; null for none.
function overText(string) {
  return study.strings.get("is_over_limit", string) ? tell(["^", { t: statementOf(study.strings, "over_limit", string) }]) : null;
}

// The background photo: where it lies on the grid, and the picture once it is unpacked.
function openPhoto(box) {
  study.photo = { n: 1, box, picture: new Image() };
  study.photo.picture.addEventListener("load", () => plan.redraw());
  study.photo.picture.src = `data:image/webp;base64,${byId("photo").textContent.trim()}`;
}

// Length on the ground of a step in grid cells, near the middle of the study.
function metresOf(dx, dy) {
  return Math.hypot(dx / study.cellsEast, dy / study.cellsNorth);
}

// Radii of trees in grid cells; 0 where not known.
function measureTrees(column, share) {
  return Float64Array.from({ length: study.trees.n }, (_, row) => (study.trees.get(column, row) || 0) * share * study.cells);
}

// Checks, options, observations and texts of a run; unpacked with its neighbours on first use.
async function detailOf(run) {
  const size = study.meta.chunk_runs;
  const chunk = Math.floor(run / size);
  if (!study.details.has(chunk)) {
    study.details.set(chunk, unpack(`detail-${chunk}`).then(async (content) => {
      const tables = {};
      for (const [name, packed] of Object.entries(content)) {
        tables[name] = tableOf(packed);
        await tables[name].readAll();
        if (name !== "texts") tables[name].ofRun = tables[name].groupBy("run", size);
      }
      return tables;
    }));
  }
  const tables = await study.details.get(chunk);
  const row = run - chunk * size;
  const rowsOf = (name) => tables[name].ofRun(row);
  return { row, texts: tables.texts, checks: tables.checks, options: tables.options,
    inspections: tables.inspections, new_line_checks: tables.new_line_checks, rowsOf };
}

function techniqueName(code) {
  if (!code) return say("No recommendation");
  return word(study.words.techniques[code] || code);
}

function severityName(code) {
  return code ? codeWord("severity", code) : say("Not assessed");
}

function strokeOf(view, run) {
  const [set, name] = view === "harm" ? ["severities", "severity"] : ["techniques", "technique"];
  return study.palette[set][study.runs.get(name, run) || ""] || study.palette[set][""];
}

function sourceText(key) {
  if (key === null || key === undefined) return say("no source given");
  if (!study.sourceRows) study.sourceRows = study.sources.rowsById("key");
  const row = study.sourceRows.get(String(key));
  if (row === undefined) return String(key);
  return [textOf(study.sources, "title", row), ` (${codeWord("standing", study.sources.get("standing", row))})`];
}
