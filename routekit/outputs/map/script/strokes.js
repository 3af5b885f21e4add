// What the plan shows and how each thing is drawn, from the ground up.

const INK = "#1d2430";
const NEW_LINE_INK = "#810407";
const ZONE_INK = "#0b6b74";
const FINE_SCALE = 1.8;

/**
 * Each drawn layer: words for its switch, whether it starts switched on, and its pen, which draws at
 * once or in steps.
 * @type {{name: string, of?: string, words: () => string, on: boolean, draw: (pen: any, view: any) => any}[]}
 */
const DRAWN = [
  { name: "photo", words: () => say("Aerial photo"), on: true, draw: drawPhoto },
  { name: "surfaces", words: () => say("Street surfaces"), on: true, draw: drawSurfaces },
  { name: "obstacles", words: () => say("Buildings and other obstacles"), on: true, draw: drawObstacles },
  { name: "study_area", words: () => say("Study area boundary"), on: true, draw: drawEdge },
  { name: "crowns", of: "trees", words: () => say("Tree crowns"), on: true, draw: drawCrowns },
  { name: "zones", of: "trees", words: () => say("Root protection zones"), on: true, draw: drawZones },
  { name: "cores", of: "trees", words: () => say("Structural root zones"), on: true, draw: drawCores },
  { name: "trenches", of: "runs", words: () => say("Trenches, if all were open cut"), on: false, draw: drawTrenches },
  { name: "services", words: () => say("Services of others"), on: false, draw: drawServices },
  { name: "laydown", words: () => say("Laydown areas for the welded pipe"), on: false, draw: drawLaydown },
  { name: "strings", words: () => say("Pull strings"), on: true, draw: drawStrings },
  { name: "digs", words: () => say("Small digs"), on: true, draw: drawDigs },
  { name: "connections", words: () => say("Gullies and house connections"), on: false, draw: drawConnections },
  { name: "pits", words: () => say("Pits"), on: true, draw: drawPits },
  { name: "runs", words: () => say("Runs"), on: true, draw: drawRuns },
  { name: "new_lines", words: () => say("New lines"), on: true, draw: drawNewLines },
  { name: "manholes", words: () => say("Manholes"), on: true, draw: drawManholes },
  { name: "stems", of: "trees", words: () => say("Stems and tree numbers"), on: true, draw: drawStems },
  { name: "street_names", of: "streets", words: () => say("Street names"), on: true, draw: () => null },
];

const SURFACE_FILLS = { carriageway: "#f0eee8", footway: "#f6f4ec", cycleway: "#f3ece4",
  parking: "#eeede9", verge: "#f0f4e4", planting: "#eaf1dd" };
const OBSTACLE_TINTS = { water: ["#d5e6ee", "#8fadbb"] };

/**
 * @type {{view: string, isOn: Record<string, boolean>, marked: {kind: string, row: number} | null,
 *   route: {x: number, y: number}[], lettered?: any}}
 */
const drawing = { view: "advice", isOn: {}, marked: null, route: [] };

// Draws in steps: whoever draws takes as many at a time as the moment allows.
function* drawSheet(pen, view) {
  pen.lineJoin = "round";
  for (const layer of DRAWN) {
    if (!drawing.isOn[layer.name]) continue;
    const work = layer.draw(pen, view);
    if (work) yield* work;
    yield;
  }
  drawMarked(pen, view);
  // What is marked lies over the line that would replace it.
  if (drawing.marked && drawing.isOn.new_lines) yield* drawNewLines(pen, view);
  yield* drawLabels(pen, view);
  drawDrafts(pen, view);
  drawRoute(pen, view);
}

function isInView(outlines, i, view, margin = 0) {
  const b = outlines.boxes;
  return b[4 * i] <= view.east + margin && b[4 * i + 2] >= view.west - margin
    && b[4 * i + 1] <= view.south + margin && b[4 * i + 3] >= view.north - margin;
}

function trace(pen, view, outlines, i, closed) {
  for (let r = outlines.ringStart[i]; r < outlines.ringStart[i + 1]; r += 1) {
    const [start, stop] = [outlines.vertexStart[r], outlines.vertexStart[r + 1]];
    for (let v = start; v < stop; v += 1) {
      const x = outlines.x[v] * view.scale - view.dx;
      const y = outlines.y[v] * view.scale - view.dy;
      if (v === start) pen.moveTo(x, y);
      else pen.lineTo(x, y);
    }
    if (closed) pen.closePath();
  }
}

function pixel(view, outlines, i) {
  const v = outlines.first(i);
  return [outlines.x[v] * view.scale - view.dx, outlines.y[v] * view.scale - view.dy];
}

function drawPhoto(pen, view) {
  const { n, box, picture } = study.photo;
  if (!n || !picture.complete) return;
  const [west, north, east, south] = box;
  pen.globalAlpha = 0.75;
  pen.drawImage(picture, west * view.scale - view.dx, north * view.scale - view.dy,
    (east - west) * view.scale, (south - north) * view.scale);
  pen.globalAlpha = 1;
}

const FEATURES_PER_PATH = 100;
const AREAS_A_STEP = 100;
const TREES_A_STEP = 400;

// Traces features and paints them by hundreds: one path of thousands is slower than many.
/** @param {(i: number) => boolean} [keep] */
function* paintAll(pen, view, table, closed, paint, keep = () => true) {
  let count = 0;
  pen.beginPath();
  for (let i = 0; i < table.n; i += 1) {
    if (!isInView(table.outlines, i, view) || !keep(i)) continue;
    trace(pen, view, table.outlines, i, closed);
    count += 1;
    if (count % FEATURES_PER_PATH === 0) {
      paint();
      yield;
      pen.beginPath();
    }
  }
  paint();
}

// Areas are filled one by one: in one path, two that overlap would leave a hole, even-odd.
/** @param {(i: number) => boolean} keep */
function* paintEach(pen, view, table, keep, paint) {
  let count = 0;
  for (let i = 0; i < table.n; i += 1) {
    if (!isInView(table.outlines, i, view) || !keep(i)) continue;
    pen.beginPath();
    trace(pen, view, table.outlines, i, false);
    paint(i);
    count += 1;
    if (count % AREAS_A_STEP === 0) yield;
  }
}

// The ring of an area ends where it begins; a wall or a railway drawn as a line holds nothing.
function isArea(outlines, i) {
  const r = outlines.ringStart[i];
  const [first, last] = [outlines.vertexStart[r], outlines.vertexStart[r + 1] - 1];
  return last - first > 2 && outlines.x[first] === outlines.x[last]
    && outlines.y[first] === outlines.y[last];
}

// A picture below the plan, which fills would hide.
const hasBackground = () => Boolean(study.meta.tiles_host || (study.photo.n && drawing.isOn.photo));

function* drawSurfaces(pen, view) {
  pen.strokeStyle = "#dcd8cc";
  pen.lineWidth = 0.75;
  for (const kind of study.surfaces.words("kind")) {
    pen.fillStyle = SURFACE_FILLS[kind] || "#f3f2ee";
    const isOfKind = (i) => study.surfaces.get("kind", i) === kind;
    yield* paintEach(pen, view, study.surfaces, isOfKind, () => {
      if (!hasBackground()) pen.fill("evenodd");
      if (view.pixelsPerM > 0.4) pen.stroke();
    });
  }
}

function* drawObstacles(pen, view) {
  pen.lineWidth = 1;
  for (const kind of study.obstacles.words("kind")) {
    [pen.fillStyle, pen.strokeStyle] = OBSTACLE_TINTS[kind] || ["#e3ded2", "#b5ad9c"];
    const isOfKind = (i) => study.obstacles.get("kind", i) === kind;
    yield* paintEach(pen, view, study.obstacles, isOfKind, (i) => {
      if (isArea(study.obstacles.outlines, i)) pen.fill("evenodd");
      if (view.pixelsPerM > 0.4) pen.stroke();
    });
  }
}

function* drawEdge(pen, view) {
  pen.setLineDash([1, 5]);
  pen.strokeStyle = "#6b6559";
  pen.lineWidth = 1.5;
  yield* paintAll(pen, view, study.study_area, true, () => pen.stroke());
  pen.setLineDash([]);
}

// Circles of the trees in view, or their own outlines where they have one, as one path.
function* traceTrees(pen, view, radii, outlines, least) {
  const trees = study.trees;
  let count = 0;
  pen.beginPath();
  for (let i = 0; i < trees.n; i += 1) {
    const r = radii[i] * view.scale;
    const own = outlines && !outlines.isEmpty(i);
    if (!(own ? isLarger(outlines, i, view, least) : r >= least) || trees.outlines.isEmpty(i)) continue;
    if (own ? !isInView(outlines, i, view) : !isInView(trees.outlines, i, view, radii[i])) continue;
    count += 1;
    if (count % TREES_A_STEP === 0) yield;
    if (own) trace(pen, view, outlines, i, true);
    else traceCircle(pen, view, i, r);
  }
}

function traceCircle(pen, view, tree, r) {
  const [x, y] = pixel(view, study.trees.outlines, tree);
  if (r < 2) {
    pen.rect(x - r, y - r, 2 * r, 2 * r);
    return;
  }
  pen.moveTo(x + r, y);
  pen.arc(x, y, r, 0, 2 * Math.PI);
}

function isLarger(outlines, i, view, radius) {
  const [west, north, east, south] = outlines.box(i);
  return Math.max(east - west, south - north) * view.scale >= 2 * radius;
}

function* drawCrowns(pen, view) {
  yield* traceTrees(pen, view, study.trees.crownRadius, study.trees.crowns, 0.8);
  pen.fillStyle = "rgba(96, 142, 84, 0.3)";
  pen.fill();
  if (view.pixelsPerM < FINE_SCALE) return;
  pen.strokeStyle = "rgba(62, 104, 56, 0.45)";
  pen.lineWidth = 0.8;
  pen.stroke();
}

// Crowns are filled, zones are lines of another hue: plain far out, dashed where there is room.
function* drawZones(pen, view) {
  if (view.pixelsPerM < 0.5) return;
  yield* traceTrees(pen, view, study.trees.zoneRadius, study.trees.zones, 3);
  const isFine = view.pixelsPerM >= FINE_SCALE;
  pen.strokeStyle = ZONE_INK;
  pen.lineWidth = isFine ? 1.4 : 0.8;
  if (isFine) pen.setLineDash([7, 3]);
  pen.stroke();
  pen.setLineDash([]);
}

function* drawCores(pen, view) {
  if (view.pixelsPerM < FINE_SCALE) return;
  yield* traceTrees(pen, view, study.trees.coreRadius, null, 2);
  pen.fillStyle = "rgba(122, 92, 52, 0.16)";
  pen.fill();
  pen.strokeStyle = "#7a5c34";
  pen.lineWidth = 1;
  pen.stroke();
}

function* drawStems(pen, view) {
  const trees = study.trees;
  if (view.pixelsPerM < 0.8) return;
  let count = 0;
  pen.fillStyle = "#2f4a2b";
  pen.beginPath();
  for (let i = 0; i < trees.n; i += 1) {
    if (trees.outlines.isEmpty(i) || !isInView(trees.outlines, i, view)) continue;
    const [x, y] = pixel(view, trees.outlines, i);
    const r = stemRadius(view, i);
    pen.moveTo(x + r, y);
    pen.arc(x, y, r, 0, 2 * Math.PI);
    count += 1;
    if (count % FEATURES_PER_PATH === 0) {
      pen.fill();
      yield;
      pen.beginPath();
    }
  }
  pen.fill();
}

const stemRadius = (view, tree) => Math.max(1.5, ((study.trees.get("stem_mid_mm", tree) || 0) / 2000) * view.pixelsPerM);
