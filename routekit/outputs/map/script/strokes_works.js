// Pens of the sewers, the works on them and what the reader marks; called from the list of drawn layers.

function drawTrenches(pen, view) {
  pen.lineCap = "butt";
  const widths = new Map();
  for (let i = 0; i < study.runs.n; i += 1) {
    const width = study.runs.get("corridor_width_m", i) ?? study.runs.get("width_m", i);
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
  pen.strokeStyle = "#56646d";
  pen.lineWidth = 1.4;
  pen.setLineDash([9, 3, 2, 3]);
  paintAll(pen, view, study.services, false, () => pen.stroke());
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

function drawLaydown(pen, view) {
  pen.strokeStyle = "#6b6559";
  pen.lineWidth = 1.3;
  pen.setLineDash([7, 3]);
  pen.fillStyle = "#f7f2df";
  paintAll(pen, view, study.laydown, true, () => {
    pen.fill();
    pen.stroke();
  });
  pen.setLineDash([]);
}

function drawStrings(pen, view) {
  if (view.pixelsPerM < 0.25) return;
  pen.lineCap = "round";
  paintAll(pen, view, study.strings, false, () => {
    pen.strokeStyle = "#b3a8a9";
    pen.lineWidth = 17;
    pen.stroke();
    pen.strokeStyle = "#f4efe6";
    pen.lineWidth = 14.5;
    pen.stroke();
  });
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
  pen.fillStyle = "#fff3d6";
  pen.strokeStyle = INK;
  pen.lineWidth = 2;
  paintAll(pen, view, study.pits, true, () => {
    pen.fill();
    pen.stroke();
  });
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
  const isClose = view.pixelsPerM > 0.25;
  strokeRuns(pen, view, left, "#a49c8c", 1.2, []);
  if (isClose) {
    for (const [stroke, runs] of classes) {
      strokeRuns(pen, view, runs, "#ffffff", stroke.width * size + 3, []);
    }
  }
  for (const [stroke, runs] of classes) {
    const dash = isClose ? stroke.dash.map((length) => length * Math.max(size, 0.5)) : [];
    strokeRuns(pen, view, runs, stroke.colour, stroke.width * size, dash);
  }
  if (view.pixelsPerM < 0.7) return;
  for (const [stroke, runs] of classes) for (const i of runs) drawLetter(pen, view, i, stroke);
}

function strokeRuns(pen, view, runs, colour, width, dash) {
  pen.strokeStyle = colour;
  pen.lineWidth = width;
  pen.setLineDash(dash);
  for (let first = 0; first < runs.length; first += FEATURES_PER_PATH) {
    pen.beginPath();
    const stop = Math.min(first + FEATURES_PER_PATH, runs.length);
    for (let k = first; k < stop; k += 1) trace(pen, view, study.runs.outlines, runs[k], false);
    pen.stroke();
  }
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
