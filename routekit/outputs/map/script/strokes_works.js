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
}

// Names of pits come last and stand beside the pit, off the bars that run along it.
function drawPitNames(pen, view) {
  if (view.pixelsPerM < 2) return;
  const taken = [];
  pen.font = "bold 11px system-ui, sans-serif";
  pen.textAlign = "center";
  for (let i = 0; i < study.pits.n; i += 1) {
    if (study.pits.outlines.isEmpty(i) || !isInView(study.pits.outlines, i, view)) continue;
    const words = pitName(i);
    const width = pen.measureText(words).width;
    const spots = besidePit(view, i, width).map(([x, y]) => ({ x, y, west: x - width / 2, east: x + width / 2, north: y - 7, south: y + 7 }));
    const spot = spots.find((box) => !taken.some((other) => box.west < other.east && box.east > other.west
      && box.north < other.south && box.south > other.north)) || spots[0];
    taken.push(spot);
    label(pen, words, spot.x, spot.y, INK, "bold 11px system-ui, sans-serif");
  }
  pen.textAlign = "left";
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
    [x + nx * (away + 15), y + ny * (away + 15)]];
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
  drawing.lettered = classes;
}

const LETTER_APART = 18;
const SAME_APART = 34;
const LEAST_RUN = 12;

// Letters where they have room: rare strokes first, so that a single short run gets its letter,
// and strings of short runs get one now and then.
function drawLetters(pen, view, classes) {
  const grid = new Map();
  const cellOf = (x, y) => [Math.floor(x / SAME_APART), Math.floor(y / SAME_APART)];
  const isFree = (x, y, stroke) => {
    const [column, row] = cellOf(x, y);
    for (let c = column - 1; c <= column + 1; c += 1) {
      for (let r = row - 1; r <= row + 1; r += 1) {
        for (const other of grid.get(`${c} ${r}`) || []) {
          const apart = Math.hypot(other.x - x, other.y - y);
          if (apart < LETTER_APART || (other.stroke === stroke && apart < SAME_APART)) return false;
        }
      }
    }
    return true;
  };
  for (const [stroke, runs] of [...classes].sort((a, b) => a[1].length - b[1].length)) {
    for (const i of runs) {
      const [x, y, length, dx, dy] = middleOf(view, study.runs.outlines, i);
      if (length < LEAST_RUN) continue;
      const shares = length < SAME_APART ? [0] : [0, 0.15, -0.15, 0.3, -0.3, 0.42, -0.42];
      const spot = shares.map((share) => [x + share * dx, y + share * dy]).find((place) => isFree(...place, stroke));
      if (!spot) continue;
      const key = cellOf(...spot).join(" ");
      if (!grid.has(key)) grid.set(key, []);
      grid.get(key).push({ x: spot[0], y: spot[1], stroke });
      drawLetter(pen, view, i, stroke, spot);
    }
  }
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

/** @param {number[] | null} [spot] */
function drawLetter(pen, view, i, stroke, spot = null) {
  const [middleX, middleY, length] = middleOf(view, study.runs.outlines, i);
  const [x, y] = spot || [middleX, middleY];
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
      trace(pen, view, lines, row, kind === "pit" || kind === "dig");
      pen.lineWidth = (kind === "run" || kind === "string" ? 15 : 4) + width;
    }
    pen.strokeStyle = colour;
    pen.stroke();
  }
  pen.lineCap = "butt";
  const runs = kind === "run" ? [row] : kind === "string" ? runsOfString(row) : [];
  for (const run of runs) {
    const stroke = strokeOf(drawing.view, run);
    strokeRuns(pen, view, [run], "#ffffff", stroke.width + 3, []);
    strokeRuns(pen, view, [run], stroke.colour, stroke.width, stroke.dash);
    if (middleOf(view, study.runs.outlines, run)[2] >= LETTER_APART) drawLetter(pen, view, run, stroke);
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
