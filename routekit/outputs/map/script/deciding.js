// Decisions made on the map: put down with name and reason, listed, undone, saved as GeoJSON and
// loaded again. They are kept as they are saved; the study reads the file and judges what they say.

const DECISIONS_FILE = "decisions_map.geojson";
const CORNERS = 64;

/** @type {Record<string, string[]>} */
const DECIDABLE = { run: ["force", "exclude"], string: ["force", "exclude"], tree: ["no_pit", "own_zone", "stem", "tree_gone"] };

const deciding = {
  /** @type {any[]} */
  features: [],
  by: "",
  isUnsaved: false,
  // The tree whose zone is being drawn, by row.
  /** @type {number | null} */
  tree: null,

  open() {
    sheet_map.getContainer().addEventListener("keydown", (event) => {
      if (this.tree === null) return;
      if (event.key === "Enter" || event.key === " ") {
        event.preventDefault();
        this.addCorner(latLngToGrid(sheet_map.getCenter()));
      } else if (event.key === "Backspace") this.dropCorner();
      else if (event.key === "Escape") this.stopDrawing();
    });
    window.addEventListener("hashchange", () => this.stopDrawing());
    window.addEventListener("beforeunload", (event) => { if (this.isUnsaved) event.preventDefault(); });
  },

  // What concerns a run, string or tree; a decision on a string shows at each of its runs.
  about(kind, row) {
    const id = study[ID_COLUMNS[kind][0]].get(ID_COLUMNS[kind][1], row);
    return this.features.filter(({ properties }) => (kind === "tree" ? properties.tree_id === id
      : kind === "string" ? properties.string_id === id : (properties.run_ids || []).includes(id)));
  },

  badge(kind, row) {
    if (!(kind in DECIDABLE)) return null;
    const found = this.about(kind, row);
    return found.length ? make("span", { class: "decided" }, [...new Set(found.map(standingOf))].join("; ")) : null;
  },

  // What stands at the end of the card of a run, string or tree.
  part(kind, row) {
    if (!(kind in DECIDABLE)) return null;
    const here = make("section", { class: "deciding", id: "deciding" });
    this.fillPart(here, kind, row);
    return here;
  },

  fillPart(here, kind, row) {
    const input = (name, words, more = {}) => make("label", {}, words, " ", make("input", { type: "text", "data-field": name, ...more }));
    const what = make("select", { "data-field": "decision", onchange: () => this.showFields(here) },
      DECIDABLE[kind].map((code) => make("option", { value: code }, codeWord("decision", code))));
    const techniques = make("select", { "data-field": "technique" }, Object.keys(study.words.techniques).map((code) => (
      make("option", { value: code }, techniqueName(code)))));
    here.replaceChildren(...compact([
      make("h3", {}, say("Decide")),
      this.about(kind, row).map((feature) => this.line(feature)),
      clashLines(this.about(kind, row)),
      make("label", {}, say("Decision"), " ", what),
      kind === "tree" ? [
        make("div", { "data-for": "own_zone" }, input("radius_m", say("Radius from the stem, m"), { inputmode: "decimal" }),
          make("button", { type: "button", "data-draw": "", onclick: () => this.startDrawing(row) }, say("Draw the outline on the plan"))),
        make("div", { "data-for": "stem" }, input("stem_diameter_mm", say("Stem diameter, mm"), { inputmode: "decimal" })),
      ] : make("label", {}, say("Technique"), " ", techniques),
      input("by", say("Who decides"), { value: this.by }),
      input("reason", say("Reason")),
      make("button", { type: "button", class: "put-down", onclick: () => this.putDown(here, kind, row) }, say("Put down")),
      make("p", { class: "deciding-note", role: "status" }),
      make("p", {}, make("a", { href: "#page=decide" }, say("All decisions made here, to save or undo"))),
    ]));
    this.showFields(here);
  },

  showFields(here) {
    const { value } = here.querySelector("[data-field=decision]");
    for (const field of here.querySelectorAll("[data-for]")) field.hidden = field.dataset.for !== value;
  },

  putDown(here, kind, row) {
    const read = (name) => { const field = here.querySelector(`[data-field=${name}]`); return field ? field.value.trim() : ""; };
    const decision = read("decision");
    const made = this.make(kind, row, decision, read);
    if (typeof made === "string") {
      here.querySelector(".deciding-note").textContent = made;
      return;
    }
    this.by = read("by");
    this.features.push(made);
    this.stopDrawing();
    this.changed();
    followAddress(false);
  },

  // A feature of the file, or what is missing for it.
  make(kind, row, decision, read) {
    if (!read("by")) return say("Write who decides.");
    if (!read("reason")) return say("Write the reason.");
    const told = { decision, by: read("by"), reason: read("reason") };
    const id = study[ID_COLUMNS[kind][0]].get(ID_COLUMNS[kind][1], row);
    if (kind !== "tree") {
      const runs = kind === "run" ? [row] : runsOfString(row);
      const properties = { ...told, technique: read("technique"), run_ids: kind === "run" ? [id] : runIdsOf(row),
        ...(kind === "string" ? { string_id: id } : {}) };
      /** @type {any[]} */
      const drawn = runs.map(lineOf).filter((line) => line !== null);
      const lines = drawn.flatMap((line) => (line.type === "LineString" ? [line.coordinates] : line.coordinates));
      return asFeature({ type: "MultiLineString", coordinates: lines }, properties);
    }
    const stem = stemOf(row);
    if (stem === null) return say("The place of this tree is not known.");
    const [lon, lat] = degreesOf(stem);
    const properties = { ...told, tree_id: id, tree_lon: lon, tree_lat: lat };
    if (decision === "stem") {
      const size = readNumber(read("stem_diameter_mm"));
      const [least, most] = study.meta.stem_mm;
      if (!(size >= least && size <= most)) {
        return say("Write a stem diameter from {least} to {most} mm.", { least, most });
      }
      Object.assign(properties, { stem_diameter_mm: size });
    }
    if (decision !== "own_zone") return asFeature({ type: "Point", coordinates: [lon, lat] }, properties);
    const corners = this.tree === row && drawing.route.length ? drawing.route : ringAround(stem, readNumber(read("radius_m")));
    if (corners.length < 3) return say("Write a radius, or draw at least three corners on the plan.");
    if (crossesItself(corners)) return say("The outline crosses itself: draw it again.");
    return asFeature({ type: "Polygon", coordinates: [closeRing(corners).map(degreesOf)] }, properties);
  },

  startDrawing(row) {
    measuring.turn(false);
    this.tree = row;
    this.tellDrawing();
    sheet_map.getContainer().focus();
  },

  stopDrawing() {
    if (this.tree === null) return;
    this.tree = null;
    drawing.route = [];
    byId("plan-note").textContent = "";
    plan.redraw();
  },

  addCorner(place) {
    drawing.route.push(place);
    this.tellDrawing();
  },

  dropCorner() {
    drawing.route.pop();
    this.tellDrawing();
  },

  tellDrawing() {
    byId("plan-note").textContent = drawing.route.length ? sayMany("{n} corner drawn.", "{n} corners drawn.", { n: drawing.route.length })
      : say("Drawing a root zone: click its corners on the plan, or press Enter to add the point at the centre. Backspace removes the last one, Escape ends. Then put the decision down.");
    plan.redraw();
  },

  changed() {
    this.isUnsaved = this.features.length > 0;
    schedule.refresh();
    for (const name of ["decide", ...Object.keys(lists)]) refreshPage(name);
    plan.redraw();
  },

  undo(feature) {
    this.features = this.features.filter((other) => other !== feature);
    this.changed();
    followAddress(false);
  },

  line(feature) {
    const { decision, technique, stem_diameter_mm: size, by, reason } = feature.properties;
    const more = technique ? `: ${techniqueName(technique)}` : size ? `: ${quantity(size, "mm", 0)}` : "";
    return make("p", { class: "draft" }, make("strong", {}, codeWord("decision", decision), more), " ", placesOf(feature), " ",
      say("by {by}: {reason}", { by, reason }), " ", make("span", { class: "decided" }, standingOf(feature)), " ",
      make("button", { type: "button", onclick: () => this.undo(feature) }, say("Undo")));
  },

  build(page) {
    page.replaceChildren(...compact([
      make("h2", {}, say("Decisions made here")),
      make("p", {}, say("Open a run, a string or a tree and decide at the end of its card. Nothing leaves this page until you save the file; put it beside the study file, write {line} under [layers] there, and run the study again.",
        { line: `decisions_map = "${DECISIONS_FILE}"` })),
      make("p", { class: "draft-count", role: "status" }, sayMany("{n} decision.", "{n} decisions.", { n: this.features.length })),
      clashLines(this.features),
      this.features.map((feature) => this.line(feature)),
      make("div", { class: "list-tools" },
        make("button", { type: "button", id: "save-decisions", disabled: !this.features.length, onclick: () => this.save() }, say("Save the file")),
        make("label", {}, say("Load a file"), " ", make("input", { type: "file", id: "load-decisions", accept: ".geojson,.json",
          onchange: (event) => this.load(event.target.files[0]) }))),
      make("p", { id: "load-note", role: "status" }),
    ]));
  },

  save() {
    offerFile(DECISIONS_FILE, "application/geo+json", JSON.stringify({ type: "FeatureCollection", study: study.meta.name, features: this.features }, null, 1));
    this.isUnsaved = false;
  },

  async load(file) {
    if (!file) return;
    let found = null;
    try {
      found = JSON.parse(await file.text());
    } catch {
      found = null;
    }
    const list = found && Array.isArray(found.features) ? found.features : [];
    const read = list.filter(isDecision);
    const known = new Set(this.features.map((feature) => JSON.stringify(feature)));
    this.features.push(...read.filter((feature) => !known.has(JSON.stringify(feature))));
    this.changed();
    byId("load-note").textContent = list.length && read.length === list.length
      ? sayMany("{n} decision read.", "{n} decisions read.", { n: read.length })
      : say("{n} of {all} read; the rest are no decisions of this map.", { n: read.length, all: list.length });
  },
};

// What cannot hold together among the decisions made here, of the runs that some of them are about; and
// strings that would be divided. The study refuses the first when it reads the file, by its own rules.
function clashLines(some) {
  const of = (decision) => {
    /** @type {Map<string, Set<string>>} */
    const found = new Map();
    for (const { properties } of deciding.features) {
      if (properties.decision !== decision) continue;
      for (const id of properties.run_ids) found.set(id, (found.get(id) || new Set()).add(properties.technique));
    }
    return found;
  };
  const [forced, excluded] = [of("force"), of("exclude")];
  const runs = new Set(some.flatMap(({ properties }) => properties.run_ids || []));
  const listed = (codes) => [...codes].map(techniqueName).join("; ");
  const told = [];
  for (const id of runs) {
    const mine = forced.get(id) || new Set();
    const ruledOut = excluded.get(id) || new Set();
    const both = [...mine].filter((code) => ruledOut.has(code));
    if (mine.size > 1) told.push(say("Run {id}: only one technique can be chosen, not {list}. These decisions exclude each other: undo all but one, or the study refuses the file.", { id, list: listed(mine) }));
    if (both.length) told.push(say("Run {id}: {list} is both chosen and ruled out. These decisions exclude each other: undo one, or the study refuses the file.", { id, list: listed(both) }));
  }
  for (let row = 0; row < study.strings.n; row += 1) {
    const mine = runIdsOf(row);
    const chosen = new Set(mine.flatMap((id) => [...(forced.get(id) || [])]));
    if (chosen.size > 1 && mine.some((id) => runs.has(id))) {
      told.push(say("String {id}: different techniques are chosen along it: {list}. It is pulled as one pipe, so the study would divide it there.", { id: study.strings.get("string_id", row), list: listed(chosen) }));
    }
  }
  return told.map((words) => make("p", { class: "clash", role: "alert" }, words));
}

function isDecision(feature) {
  const told = feature && feature.properties;
  return Boolean(told) && Object.values(DECIDABLE).flat().includes(told.decision)
    && typeof told.by === "string" && typeof told.reason === "string"
    && (typeof told.tree_id === "string" || Array.isArray(told.run_ids));
}

function asFeature(geometry, properties) {
  return { type: "Feature", geometry, properties };
}

// Whether the map in hand was worked out with a decision, by the decisions that its study read.
function standingOf({ properties }) {
  if (properties.decision === "own_zone") {
    const row = study.rows.tree.get(properties.tree_id);
    return row !== undefined && alerts.codesOf("trees", row).includes("own_zone") ? say("decided; a zone drawn by hand is in force")
      : say("decided, not yet worked out");
  }
  const same = (name, value, row) => (study.decisions.get(name, row) ?? "") === (value ?? "");
  const isRead = (name, id) => {
    for (let row = 0; row < study.decisions.n; row += 1) {
      if (same("decision", properties.decision, row) && same(name, id, row) && same("technique", properties.technique, row)
        && same("stem_diameter_mm", properties.stem_diameter_mm, row)) return true;
    }
    return false;
  };
  const isDone = properties.tree_id === undefined ? properties.run_ids.every((id) => isRead("run_id", id)) : isRead("tree_id", properties.tree_id);
  return isDone ? say("decided and worked out") : say("decided, not yet worked out");
}

function placesOf({ properties }) {
  if (properties.string_id !== undefined) return linkTo("string", properties.string_id, say("String {id}", { id: properties.string_id }));
  if (properties.tree_id !== undefined) return linkTo("tree", properties.tree_id, say("Tree {id}", { id: properties.tree_id }));
  return properties.run_ids.map((id) => [" ", linkTo("run", id, say("Run {id}", { id }))]);
}

function stemOf(tree) {
  const { trees } = study;
  if (trees.outlines.isEmpty(tree)) return null;
  const [west, north, east, south] = trees.outlines.box(tree);
  return { x: (west + east) / 2, y: (north + south) / 2 };
}

function degreesOf({ x, y }) {
  const { lat, lng } = gridToLatLng(x, y);
  return [Number(lng.toFixed(8)), Number(lat.toFixed(8))];
}

// A figure with a comma or a point.
function readNumber(text) {
  return /^\d+([.,]\d+)?$/.test(text) ? Number(text.replace(",", ".")) : NaN;
}

// Corners of a polygon that holds the whole circle; cells shrink towards the equator.
function ringAround({ x, y }, radius) {
  if (!(radius > 0 && radius <= 100)) return [];
  const bounds = plan.wholeBounds();
  const cosine = (lat) => Math.cos((lat * Math.PI) / 180);
  const share = bounds ? cosine(bounds.getCenter().lat) / cosine(gridToLatLng(x, y).lat) : 1;
  const reach = (radius * share) / Math.cos(Math.PI / CORNERS);
  return Array.from({ length: CORNERS }, (_, i) => {
    const turn = (2 * Math.PI * i) / CORNERS;
    return { x: x + reach * study.cellsEast * Math.cos(turn), y: y + reach * study.cellsNorth * Math.sin(turn) };
  });
}

// Outer rings run against the clock (RFC 7946, 3.1.6); y of the grid grows southwards.
function closeRing(corners) {
  const doubled = corners.reduce((sum, a, i) => {
    const b = corners[(i + 1) % corners.length];
    return sum + a.x * b.y - b.x * a.y;
  }, 0);
  const ring = doubled > 0 ? [...corners].reverse() : [...corners];
  return [...ring, ring[0]];
}

function crossesItself(corners) {
  const n = corners.length;
  const side = (a, b, c) => Math.sign((b.x - a.x) * (c.y - a.y) - (b.y - a.y) * (c.x - a.x));
  for (let i = 0; i < n; i += 1) {
    for (let j = i + 2; j < n; j += 1) {
      if (i === 0 && j === n - 1) continue;
      const [a, b, c, d] = [corners[i], corners[i + 1], corners[j], corners[(j + 1) % n]];
      if (side(a, b, c) !== side(a, b, d) && side(c, d, a) !== side(c, d, b)) return true;
    }
  }
  return false;
}

// Marks of what is decided: a diamond at each run and stem, and the outlines of zones.
function drawDrafts(pen, view) {
  const at = ({ x, y }) => [x * view.scale - view.dx, y * view.scale - view.dy];
  for (const { geometry, properties } of deciding.features) {
    if (properties.decision === "own_zone" && geometry && geometry.type === "Polygon") {
      pen.beginPath();
      geometry.coordinates[0].forEach(([lng, lat], i) => {
        const [x, y] = at(latLngToGrid(L.latLng(lat, lng)));
        if (i) pen.lineTo(x, y);
        else pen.moveTo(x, y);
      });
      pen.setLineDash([6, 3]);
      pen.lineWidth = 2.2;
      pen.strokeStyle = "#6a1b7a";
      pen.stroke();
      pen.setLineDash([]);
    }
    const tree = study.rows.tree.get(properties.tree_id);
    const stem = tree === undefined ? null : stemOf(tree);
    if (stem) drawDiamond(pen, ...at(stem));
    for (const id of properties.run_ids || []) {
      const run = study.rows.run.get(id);
      if (run !== undefined && !study.runs.outlines.isEmpty(run)) {
        const [x, y] = middleOf(view, study.runs.outlines, run);
        drawDiamond(pen, x, y - 14);
      }
    }
  }
}

function drawDiamond(pen, x, y) {
  pen.beginPath();
  pen.moveTo(x, y - 7);
  pen.lineTo(x + 7, y);
  pen.lineTo(x, y + 7);
  pen.lineTo(x - 7, y);
  pen.closePath();
  pen.fillStyle = "#6a1b7a";
  pen.fill();
  pen.strokeStyle = "#ffffff";
  pen.lineWidth = 1.6;
  pen.stroke();
}
