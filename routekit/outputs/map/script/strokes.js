// What the plan shows and how each thing is drawn, from the ground up.

const INK = "#1d2430";
const PAPER = "#fbfaf5";

// Each drawn layer: words for its switch, whether it starts switched on, and its pen.
const DRAWN = [
  { name: "surfaces", words: "Street surfaces", on: true, draw: drawSurfaces },
  { name: "obstacles", words: "Buildings and other obstacles", on: true, draw: drawObstacles },
  { name: "study_area", words: "Edge of the study", on: true, draw: drawEdge },
  { name: "crowns", of: "trees", words: "Tree crowns", on: true, draw: drawCrowns },
  { name: "zones", of: "trees", words: "Root protection zones", on: true, draw: drawZones },
  { name: "cores", of: "trees", words: "Structural root zones", on: true, draw: drawCores },
  { name: "trenches", of: "runs", words: "Trenches, if all were cut open", on: false, draw: drawTrenches },
  { name: "services", words: "Other services", on: false, draw: drawServices },
  { name: "strings", words: "Pull strings", on: true, draw: drawStrings },
  { name: "digs", words: "Small digs", on: true, draw: drawDigs },
  { name: "connections", words: "Gullies and house connections", on: false, draw: drawConnections },
  { name: "pits", words: "Pits", on: true, draw: drawPits },
  { name: "runs", words: "Runs", on: true, draw: drawRuns },
  { name: "manholes", words: "Manholes", on: true, draw: drawManholes },
  { name: "stems", of: "trees", words: "Stems and tree numbers", on: true, draw: drawStems },
];

const SURFACE_FILLS = { carriageway: "#f0eee8", footway: "#f6f4ec", cycleway: "#f3ece4",
  parking: "#eeede9", verge: "#f0f4e4", planting: "#eaf1dd" };

const drawing = { view: "advice", isOn: {}, marked: null, route: [] };

function drawSheet(pen, view) {
  pen.lineJoin = "round";
  for (const layer of DRAWN) if (drawing.isOn[layer.name]) layer.draw(pen, view);
  drawMarked(pen, view);
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

function traceAll(pen, view, table, closed, keep = () => true) {
  pen.beginPath();
  for (let i = 0; i < table.n; i += 1) {
    if (isInView(table.outlines, i, view) && keep(i)) trace(pen, view, table.outlines, i, closed);
  }
}

function drawSurfaces(pen, view) {
  for (const kind of study.surfaces.words("kind")) {
    traceAll(pen, view, study.surfaces, true, (i) => study.surfaces.get("kind", i) === kind);
    pen.fillStyle = SURFACE_FILLS[kind] || "#f3f2ee";
    pen.fill("evenodd");
    pen.strokeStyle = "#dcd8cc";
    pen.lineWidth = 0.75;
    pen.stroke();
  }
}

function drawObstacles(pen, view) {
  traceAll(pen, view, study.obstacles, false);
  pen.fillStyle = "#e3ded2";
  pen.fill("evenodd");
  pen.strokeStyle = "#b5ad9c";
  pen.lineWidth = 1;
  pen.stroke();
}

function drawEdge(pen, view) {
  traceAll(pen, view, study.study_area, true);
  pen.setLineDash([1, 5]);
  pen.strokeStyle = "#6b6559";
  pen.lineWidth = 1.5;
  pen.stroke();
  pen.setLineDash([]);
}

// Circles of the trees in view, or their own outlines where they have one.
function traceTrees(pen, view, radii, outlines, least) {
  const trees = study.trees;
  pen.beginPath();
  for (let i = 0; i < trees.n; i += 1) {
    const r = radii[i] * view.scale;
    const own = outlines && !outlines.isEmpty(i);
    if (!(own || r >= least) || trees.outlines.isEmpty(i)) continue;
    if (own ? !isInView(outlines, i, view) : !isInView(trees.outlines, i, view, radii[i])) continue;
    if (own) {
      trace(pen, view, outlines, i, true);
      continue;
    }
    const [x, y] = pixel(view, trees.outlines, i);
    pen.moveTo(x + r, y);
    pen.arc(x, y, r, 0, 2 * Math.PI);
  }
}

function drawCrowns(pen, view) {
  traceTrees(pen, view, study.trees.crownRadius, study.trees.crowns, 0.8);
  pen.fillStyle = "rgba(96, 142, 84, 0.24)";
  pen.fill();
  if (view.pixelsPerM < 0.6) return;
  pen.strokeStyle = "rgba(62, 104, 56, 0.7)";
  pen.lineWidth = 0.8;
  pen.stroke();
}

function drawZones(pen, view) {
  if (view.pixelsPerM < 0.5) return;
  traceTrees(pen, view, study.trees.zoneRadius, study.trees.zones, 3);
  pen.strokeStyle = "#3f6b3a";
  pen.lineWidth = 1.2;
  pen.setLineDash([5, 4]);
  pen.stroke();
  pen.setLineDash([]);
}

function drawCores(pen, view) {
  if (view.pixelsPerM < 1) return;
  traceTrees(pen, view, study.trees.coreRadius, null, 2);
  pen.fillStyle = "rgba(122, 92, 52, 0.16)";
  pen.fill();
  pen.strokeStyle = "#7a5c34";
  pen.lineWidth = 1;
  pen.stroke();
}

function drawStems(pen, view) {
  const trees = study.trees;
  if (view.pixelsPerM < 0.8) return;
  pen.fillStyle = "#2f4a2b";
  pen.font = "11px system-ui, sans-serif";
  pen.textAlign = "left";
  for (let i = 0; i < trees.n; i += 1) {
    if (trees.outlines.isEmpty(i) || !isInView(trees.outlines, i, view)) continue;
    const [x, y] = pixel(view, trees.outlines, i);
    const r = Math.max(1.5, ((trees.get("stem_diameter_mm", i) || 0) / 2000) * view.pixelsPerM);
    pen.beginPath();
    pen.arc(x, y, r, 0, 2 * Math.PI);
    pen.fill();
    if (view.pixelsPerM > 6) label(pen, trees.get("tree_id", i), x + r + 4, y, "#2f4a2b");
  }
}

function label(pen, text, x, y, colour) {
  const words = String(text ?? "").slice(0, 24);
  pen.font = "11px system-ui, sans-serif";
  pen.textBaseline = "middle";
  pen.strokeStyle = "rgba(251, 250, 245, 0.92)";
  pen.lineWidth = 3;
  pen.strokeText(words, x, y);
  pen.fillStyle = colour;
  pen.fillText(words, x, y);
}

function drawTrenches(pen, view) {
  pen.lineCap = "butt";
  const widths = new Map();
  for (let i = 0; i < study.runs.n; i += 1) {
    const width = study.runs.get("width_m", i);
    if (width === null || !isInView(study.runs.outlines, i, view)) continue;
    if (!widths.has(width)) widths.set(width, []);
    widths.get(width).push(i);
  }
  for (const [width, runs] of widths) {
    pen.beginPath();
    for (const i of runs) trace(pen, view, study.runs.outlines, i, false);
    const across = width * view.pixelsPerM;
    pen.strokeStyle = "#8c6a3f";
    pen.lineWidth = Math.max(across, 1);
    pen.stroke();
    pen.strokeStyle = "#e9d9b8";
    pen.lineWidth = Math.max(across - 2, 0.1);
    pen.stroke();
  }
}

const SERVICE_MARKS = { gas: "G", water: "W", electricity: "E", telecom: "T", heat: "H", sewer: "S" };

function drawServices(pen, view) {
  traceAll(pen, view, study.services, false);
  pen.strokeStyle = "#56646d";
  pen.lineWidth = 1.4;
  pen.setLineDash([9, 3, 2, 3]);
  pen.stroke();
  pen.setLineDash([]);
  if (view.pixelsPerM < 1.2) return;
  for (let i = 0; i < study.services.n; i += 1) {
    if (!isInView(study.services.outlines, i, view)) continue;
    const [x, y] = middleOf(view, study.services.outlines, i);
    pen.textAlign = "center";
    label(pen, SERVICE_MARKS[study.services.get("kind", i)] || "X", x, y, "#3b474f");
  }
  pen.textAlign = "left";
}

// The middle of the longest leg of a line, in pixels, and the length of the whole.
function middleOf(view, outlines, i) {
  let [best, longest, whole] = [outlines.first(i), 0, 0];
  for (let v = outlines.first(i); v < outlines.last(i) - 1; v += 1) {
    const leg = Math.hypot(outlines.x[v + 1] - outlines.x[v], outlines.y[v + 1] - outlines.y[v]);
    whole += leg;
    if (leg > longest) [best, longest] = [v, leg];
  }
  const next = Math.min(best + 1, outlines.last(i) - 1);
  return [
    ((outlines.x[best] + outlines.x[next]) / 2) * view.scale - view.dx,
    ((outlines.y[best] + outlines.y[next]) / 2) * view.scale - view.dy,
    whole * view.scale,
  ];
}

function drawStrings(pen, view) {
  if (view.pixelsPerM < 0.25) return;
  traceAll(pen, view, study.strings, false);
  pen.lineCap = "round";
  pen.strokeStyle = "rgba(112, 97, 103, 0.55)";
  pen.lineWidth = 17;
  pen.stroke();
  pen.strokeStyle = "#f4efe6";
  pen.lineWidth = 14.5;
  pen.stroke();
  pen.lineCap = "butt";
}

function drawDigs(pen, view) {
  if (view.pixelsPerM < 0.7) return;
  pen.strokeStyle = INK;
  pen.fillStyle = "#ffffff";
  pen.lineWidth = 1.2;
  pen.beginPath();
  for (let i = 0; i < study.digs.n; i += 1) {
    const lines = study.digs.outlines;
    if (lines.isEmpty(i) || !isInView(lines, i, view)) continue;
    if (lines.last(i) - lines.first(i) > 2) {
      trace(pen, view, lines, i, true);
    } else {
      const [x, y] = pixel(view, lines, i);
      const side = Math.max(6, Math.sqrt(study.digs.get("footprint_m2", i) || 1) * view.pixelsPerM);
      pen.rect(x - side / 2, y - side / 2, side, side);
    }
  }
  pen.fill();
  pen.stroke();
}

function drawConnections(pen, view) {
  if (view.pixelsPerM < 0.7) return;
  pen.fillStyle = "#56646d";
  pen.beginPath();
  for (let i = 0; i < study.connections.n; i += 1) {
    const lines = study.connections.outlines;
    if (lines.isEmpty(i) || !isInView(lines, i, view)) continue;
    const [x, y] = pixel(view, lines, i);
    pen.rect(x - 2, y - 2, 4, 4);
  }
  pen.fill();
}

function drawPits(pen, view) {
  traceAll(pen, view, study.pits, true);
  pen.fillStyle = "#fff3d6";
  pen.strokeStyle = INK;
  pen.lineWidth = view.pixelsPerM > 1 ? 2 : 3;
  pen.fill();
  pen.stroke();
  if (view.pixelsPerM < 2) return;
  for (let i = 0; i < study.pits.n; i += 1) {
    if (study.pits.outlines.isEmpty(i) || !isInView(study.pits.outlines, i, view)) continue;
    const [west, north, east, south] = study.pits.outlines.box(i);
    const x = ((west + east) / 2) * view.scale - view.dx;
    const y = ((north + south) / 2) * view.scale - view.dy;
    label(pen, `${plain(study.pits.get("role", i) || "")} pit`, x + 8, y + 14, INK);
  }
}

function drawManholes(pen, view) {
  if (view.pixelsPerM < 0.35) return;
  const r = Math.max(2.2, Math.min(6, 0.6 * view.pixelsPerM));
  pen.fillStyle = "#ffffff";
  pen.strokeStyle = INK;
  pen.lineWidth = 1.4;
  pen.beginPath();
  for (let i = 0; i < study.manholes.n; i += 1) {
    if (study.manholes.outlines.isEmpty(i) || !isInView(study.manholes.outlines, i, view)) continue;
    const [x, y] = pixel(view, study.manholes.outlines, i);
    pen.moveTo(x + r, y);
    pen.arc(x, y, r, 0, 2 * Math.PI);
  }
  pen.fill();
  pen.stroke();
}

// Runs by stroke, so that each stroke is one path: casing first, then colour, then letters.
function drawRuns(pen, view) {
  const classes = new Map();
  const left = [];
  for (let i = 0; i < study.runs.n; i += 1) {
    if (!isInView(study.runs.outlines, i, view)) continue;
    const stroke = study.isShown[i] ? strokeOf(drawing.view, i) : null;
    if (!stroke) left.push(i);
    else if (classes.has(stroke)) classes.get(stroke).push(i);
    else classes.set(stroke, [i]);
  }
  const size = Math.max(0.4, Math.min(1, 0.35 + view.pixelsPerM / 3));
  strokeRuns(pen, view, left, "#a49c8c", 1.2, []);
  for (const [stroke, runs] of classes) {
    strokeRuns(pen, view, runs, "#ffffff", stroke.width * size + 3, []);
  }
  for (const [stroke, runs] of classes) {
    const dash = stroke.dash.map((length) => length * Math.max(size, 0.5));
    strokeRuns(pen, view, runs, stroke.colour, stroke.width * size, dash);
  }
  if (view.pixelsPerM < 0.7) return;
  for (const [stroke, runs] of classes) for (const i of runs) drawLetter(pen, view, i, stroke);
}

function strokeRuns(pen, view, runs, colour, width, dash) {
  pen.beginPath();
  for (const i of runs) trace(pen, view, study.runs.outlines, i, false);
  pen.strokeStyle = colour;
  pen.lineWidth = width;
  pen.setLineDash(dash);
  pen.stroke();
  pen.setLineDash([]);
}

function drawLetter(pen, view, i, stroke) {
  const [x, y, length] = middleOf(view, study.runs.outlines, i);
  if (length < 34) return;
  pen.beginPath();
  pen.arc(x, y, 8.5, 0, 2 * Math.PI);
  pen.fillStyle = "#ffffff";
  pen.fill();
  pen.strokeStyle = stroke.colour;
  pen.lineWidth = 1.8;
  pen.stroke();
  pen.font = "bold 11px system-ui, sans-serif";
  pen.textAlign = "center";
  pen.textBaseline = "middle";
  pen.fillStyle = INK;
  pen.fillText(stroke.letter, x, y + 0.5);
  pen.textAlign = "left";
  if (view.pixelsPerM > 3.2 && length > 110) label(pen, study.runs.get("run_id", i), x + 13, y, INK);
}

// What the reading column is about stands out by a dark band round a bright one.
function drawMarked(pen, view) {
  if (!drawing.marked) return;
  const { kind, row } = drawing.marked;
  const lines = study[ID_COLUMNS[kind][0]].outlines;
  if (lines.isEmpty(row)) return;
  const isSpot = lines.last(row) - lines.first(row) === 1;
  pen.lineCap = "round";
  for (const [colour, width] of [[INK, 4], ["#ffcf33", 0]]) {
    pen.beginPath();
    if (isSpot) {
      const [x, y] = pixel(view, lines, row);
      const crown = kind === "tree" ? study.trees.crownRadius[row] * view.scale : 0;
      pen.arc(x, y, Math.max(11, crown), 0, 2 * Math.PI);
      pen.lineWidth = 3 + width;
    } else {
      trace(pen, view, lines, row, kind === "pit" || kind === "dig");
      pen.lineWidth = (kind === "run" ? 15 : 4) + width;
    }
    pen.strokeStyle = colour;
    pen.stroke();
  }
  pen.lineCap = "butt";
  if (kind === "run") {
    const stroke = strokeOf(drawing.view, row);
    strokeRuns(pen, view, [row], "#ffffff", stroke.width + 3, []);
    strokeRuns(pen, view, [row], stroke.colour, stroke.width, stroke.dash);
    drawLetter(pen, view, row, stroke);
  }
}

// The measured line.
function drawRoute(pen, view) {
  if (!drawing.route.length) return;
  pen.beginPath();
  drawing.route.forEach(({ x, y }, i) => {
    const [px, py] = [x * view.scale - view.dx, y * view.scale - view.dy];
    if (i) pen.lineTo(px, py);
    else pen.moveTo(px, py);
    pen.rect(px - 2.5, py - 2.5, 5, 5);
    pen.moveTo(px, py);
  });
  pen.strokeStyle = "#ffffff";
  pen.lineWidth = 5;
  pen.stroke();
  pen.strokeStyle = INK;
  pen.lineWidth = 1.8;
  pen.stroke();
}
