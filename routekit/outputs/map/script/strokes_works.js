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

function* drawServices(pen, view) {
  pen.strokeStyle = "#56646d";
  pen.lineWidth = 1.4;
  pen.setLineDash([9, 3, 2, 3]);
  yield* paintAll(pen, view, study.services, false, () => pen.stroke());
  pen.setLineDash([]);
}

// The middle of the longest leg of a line, in pixels, the length of the whole, and that leg.
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
    (outlines.x[next] - outlines.x[best]) * view.scale,
    (outlines.y[next] - outlines.y[best]) * view.scale,
  ];
}

function* drawLaydown(pen, view) {
  pen.strokeStyle = "#6b6559";
  pen.lineWidth = 1.3;
  pen.setLineDash([7, 3]);
  pen.fillStyle = "#f7f2df";
  yield* paintAll(pen, view, study.laydown, true, () => {
    pen.fill();
    pen.stroke();
  });
  pen.setLineDash([]);
}

function* drawStrings(pen, view) {
  if (view.pixelsPerM < 0.25) return;
  pen.lineCap = "round";
  yield* paintAll(pen, view, study.strings, false, () => {
    pen.strokeStyle = "#b3a8a9";
    pen.lineWidth = 17;
    pen.stroke();
    pen.strokeStyle = "#f4efe6";
    pen.lineWidth = 14.5;
    pen.stroke();
  });
  pen.lineCap = "butt";
}

// New lines with their new manholes, and what is re-laid to them.
function* drawNewLines(pen, view) {
  pen.strokeStyle = NEW_LINE_INK;
  pen.setLineDash([2, 3]);
  pen.lineWidth = 1.2;
  if (view.pixelsPerM >= 0.7) yield* paintAll(pen, view, study.new_line_connections, false, () => pen.stroke());
  pen.setLineDash([9, 4]);
  yield* paintAll(pen, view, study.new_lines, false, () => {
    pen.strokeStyle = "#ffffff";
    pen.lineWidth = 5.5;
    pen.stroke();
    pen.strokeStyle = NEW_LINE_INK;
    pen.lineWidth = 2.5;
    pen.stroke();
  }, (row) => !study.new_lines.get("is_recommended", row));
  pen.setLineDash([]);
  if (view.pixelsPerM < 0.8) return;
  const r = Math.max(2.2, Math.min(6, 0.6 * view.pixelsPerM));
  pen.fillStyle = "#ffffff";
  pen.lineWidth = 1.8;
  pen.beginPath();
  for (let i = 0; i < study.new_lines.n; i += 1) {
    const lines = study.new_lines.outlines;
    if (lines.isEmpty(i) || !isInView(lines, i, view)) continue;
    const end = lines.last(i) - (study.new_lines.get("has_new_end", i) ? 0 : 1);
    for (let v = lines.first(i) + 1; v < end; v += 1) {
      const [x, y] = [lines.x[v] * view.scale - view.dx, lines.y[v] * view.scale - view.dy];
      pen.moveTo(x + r, y);
      pen.arc(x, y, r, 0, 2 * Math.PI);
    }
  }
  pen.fill();
  pen.stroke();
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

function* drawPits(pen, view) {
  pen.fillStyle = "#fff3d6";
  pen.strokeStyle = INK;
  pen.lineWidth = 2;
  yield* paintAll(pen, view, study.pits, true, () => {
    pen.fill();
    pen.stroke();
  });
}

// Places for a name on either side of a pit, clear of its long sides, in pixels.
function besidePit(view, pit, width) {
  const corners = cornersOf(study.pits.outlines, pit);
  const [west, north, east, south] = study.pits.outlines.box(pit);
  const [x, y] = [((west + east) / 2) * view.scale - view.dx, ((north + south) / 2) * view.scale - view.dy];
  let [dx, dy, longest] = [1, 0, 0];
  for (let k = 1; k < corners.length; k += 1) {
    const [ex, ey] = [corners[k][0] - corners[k - 1][0], corners[k][1] - corners[k - 1][1]];
    const length = Math.hypot(ex, ey);
    if (length > longest) [dx, dy, longest] = [ex / length, ey / length, length];
  }
  const [nx, ny] = dx > 0 ? [-dy, dx] : [dy, -dx];
  const half = Math.max(...corners.map(([cx, cy]) => Math.abs((cx - (west + east) / 2) * nx + (cy - (north + south) / 2) * ny))) * view.scale;
  const away = Math.max(half, 10) + 5 + Math.abs(nx) * (width / 2) + Math.abs(ny) * 7;
  return [[x + nx * away, y + ny * away], [x - nx * away, y - ny * away],
    [x + nx * (away + 15), y + ny * (away + 15)], [x - nx * (away + 15), y - ny * (away + 15)]];
}

function drawManholes(pen, view) {
  if (view.pixelsPerM < 0.8) return;
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

// Runs by stroke, so that each stroke is one path: casing first, then colour; signs come with the labels.
function* drawRuns(pen, view) {
  const classes = new Map();
  const left = [];
  for (let i = 0; i < study.runs.n; i += 1) {
    if (!isInView(study.runs.outlines, i, view)) continue;
    const stroke = study.isShown[i] ? strokeOf(drawing.view, i) : null;
    if (!stroke || study.laidRow.has(i)) left.push(i);
    if (!stroke) continue;
    if (classes.has(stroke)) classes.get(stroke).push(i);
    else classes.set(stroke, [i]);
  }
  const size = Math.max(0.4, Math.min(1, 0.35 + view.pixelsPerM / 3));
  const isClose = view.pixelsPerM > 0.25;
  yield* strokeRuns(pen, view, left, "#a49c8c", 1.2, [], true);
  if (isClose) {
    for (const [stroke, runs] of classes) {
      yield* strokeRuns(pen, view, runs, "#ffffff", stroke.width * size + 3, []);
    }
  }
  for (const [stroke, runs] of classes) {
    const dash = isClose ? stroke.dash.map((length) => length * Math.max(size, 0.5)) : [];
    yield* strokeRuns(pen, view, runs, stroke.colour, stroke.width * size, dash);
  }
  drawing.lettered = classes;
}

// A run where it is dug: on its new line, if it is laid on one.
function traceDug(pen, view, run) {
  const laid = study.laidRow.get(run);
  if (laid === undefined) trace(pen, view, study.runs.outlines, run, false);
  else trace(pen, view, study.new_lines.outlines, laid, false);
}

function* strokeRuns(pen, view, runs, colour, width, dash, isOld = false) {
  pen.strokeStyle = colour;
  pen.lineWidth = width;
  pen.setLineDash(dash);
  for (let first = 0; first < runs.length; first += FEATURES_PER_PATH) {
    pen.beginPath();
    const stop = Math.min(first + FEATURES_PER_PATH, runs.length);
    for (let k = first; k < stop; k += 1) {
      if (isOld) trace(pen, view, study.runs.outlines, runs[k], false);
      else traceDug(pen, view, runs[k]);
    }
    pen.stroke();
    yield;
  }
  pen.setLineDash([]);
}

// What the reading column is about stands out by a dark band round a bright one.
function drawMarked(pen, view) {
  if (!drawing.marked) return;
  const { kind, row } = drawing.marked;
  const lines = study[ID_COLUMNS[kind][0]].outlines;
  if (lines.isEmpty(row)) return;
  const isSpot = lines.last(row) - lines.first(row) === 1;
  pen.lineCap = "round";
  /** @type {[string, number][]} */
  const bands = [[INK, 4], ["#ffcf33", 0]];
  for (const [colour, width] of bands) {
    pen.beginPath();
    if (isSpot) {
      const [x, y] = pixel(view, lines, row);
      const crown = kind === "tree" ? study.trees.crownRadius[row] * view.scale : 0;
      pen.arc(x, y, Math.max(11, crown), 0, 2 * Math.PI);
      pen.lineWidth = 3 + width;
    } else {
      if (kind === "run") traceDug(pen, view, row);
      else trace(pen, view, lines, row, kind === "pit" || kind === "dig");
      pen.lineWidth = (kind === "run" || kind === "string" ? 15 : 4) + width;
    }
    pen.strokeStyle = colour;
    pen.stroke();
  }
  pen.lineCap = "butt";
  for (const run of markedRuns()) {
    const stroke = strokeOf(drawing.view, run);
    drain(strokeRuns(pen, view, [run], "#ffffff", stroke.width + 3, []));
    drain(strokeRuns(pen, view, [run], stroke.colour, stroke.width, stroke.dash));
  }
}

// Takes all steps of some work at once.
function drain(work) {
  while (!work.next().done);
}

// The runs that the reading column is about.
function markedRuns() {
  if (!drawing.marked) return [];
  const { kind, row } = drawing.marked;
  if (kind === "run") return study.runs.outlines.isEmpty(row) ? [] : [row];
  return kind === "string" ? runsOfString(row).filter((run) => !study.runs.outlines.isEmpty(run)) : [];
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
