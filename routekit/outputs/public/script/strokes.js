// How each thing is drawn on the map.

function drawBackdrop(pen, view) {
  const { kind } = page.backdrop;
  for (let i = 0; i < kind.length; i += 1) {
    if (!isSeen(study.backdrop.box(i), view, 0)) continue;
    pen.beginPath();
    trace(pen, study.backdrop, i, view, true);
    pen.fillStyle = BACKDROP[kind[i]];
    pen.fill("evenodd");
  }
}

function drawRuns(pen, view) {
  const { table, shape } = study.runs;
  pen.lineCap = "butt";
  pen.lineJoin = "round";
  const thin = Math.min(1, Math.max(0.4, (map.getZoom() - 12) / 5));
  /** @type {Record<string, number[]>} */
  const seen = Object.fromEntries(Object.keys(page.colours).map((name) => [name, []]));
  for (let i = 0; i < table.n; i += 1) {
    if (isSeen(shape.box(i), view, 0)) seen[table.get("class", i)].push(i);
  }
  for (const isCasing of [true, false]) {
    for (const [name, style] of Object.entries(page.colours)) {
      pen.strokeStyle = isCasing ? "#ffffff" : style.colour;
      pen.lineWidth = (style.width + (isCasing ? 4 : 0)) * thin;
      pen.setLineDash(isCasing ? [] : style.dash);
      strokeLines(pen, view, seen[name]);
    }
  }
  pen.setLineDash([]);
}

// One path of thousands of lines is slow to paint, one path for each line too.
function strokeLines(pen, view, rows) {
  for (let from = 0; from < rows.length; from += LINES_A_STROKE) {
    pen.beginPath();
    for (const i of rows.slice(from, from + LINES_A_STROKE)) {
      trace(pen, study.runs.shape, i, view, false);
    }
    pen.stroke();
  }
}

function drawDigs(pen, view) {
  if (map.getZoom() < DIGS_ZOOM) return;
  pen.fillStyle = "#ffd24a";
  pen.strokeStyle = "#3a2a00";
  pen.lineWidth = 1.5;
  for (let i = 0; i < study.digs.table.n; i += 1) {
    const box = study.digs.shape.box(i);
    if (!isSeen(box, view, 0)) continue;
    pen.beginPath();
    pen.arc(box[0] * view.scale - view.dx, box[1] * view.scale - view.dy, 3.5, 0, 2 * Math.PI);
    pen.fill();
    pen.stroke();
  }
}

function crownPx(row, view) {
  const crown = study.trees.table.get("crown_m", row) ?? 5;
  return Math.min(46, Math.max(2.5, (crown / 2) * view.pixelsPerM));
}

function drawTrees(pen, view) {
  const reach = 46 / view.scale;
  const tiny = [];
  for (let i = 0; i < study.trees.table.n; i += 1) {
    const box = study.trees.shape.box(i);
    if (!isSeen(box, view, reach)) continue;
    const x = box[0] * view.scale - view.dx;
    const y = box[1] * view.scale - view.dy;
    const radius = crownPx(i, view);
    const isProtected = Boolean(study.trees.table.get("protected", i));
    if (radius < TINY_PX) tiny.push([x, y, isProtected]);
    else drawTree(pen, x, y, radius, isProtected);
  }
  drawTinyTrees(pen, tiny);
}

// Far out there are many: a square each, protected ones on a larger square.
function drawTinyTrees(pen, places) {
  pen.fillStyle = "#7a2b58";
  for (const [x, y, isProtected] of places) if (isProtected) pen.fillRect(x - 3.5, y - 3.5, 7, 7);
  pen.fillStyle = "#4f8a45";
  for (const [x, y] of places) pen.fillRect(x - 2, y - 2, 4, 4);
}

// A crown of seven lobes round the stem; a ring marks a protected tree.
function drawTree(pen, x, y, radius, isProtected) {
  pen.lineWidth = 1.5;
  if (isProtected) {
    pen.beginPath();
    pen.arc(x, y, radius + 3, 0, 2 * Math.PI);
    pen.fillStyle = "#ffffffb0";
    pen.fill();
    pen.strokeStyle = "#7a2b58";
    pen.lineWidth = radius < LEAST_SYMBOL_PX ? 1.5 : 2.5;
    pen.stroke();
    pen.lineWidth = 1.5;
  }
  pen.fillStyle = "#7fb069c8";
  pen.strokeStyle = "#2c5a2e";
  pen.beginPath();
  if (radius < LEAST_SYMBOL_PX) {
    pen.arc(x, y, radius, 0, 2 * Math.PI);
    pen.fill();
    pen.stroke();
    return;
  }
  for (let lobe = 0; lobe < 7; lobe += 1) {
    const angle = (lobe * 2 * Math.PI) / 7;
    const next = angle + (2 * Math.PI) / 7;
    const bulge = (angle + next) / 2;
    if (lobe === 0) pen.moveTo(x + radius * 0.86, y);
    pen.quadraticCurveTo(
      x + radius * 1.24 * Math.cos(bulge), y + radius * 1.24 * Math.sin(bulge),
      x + radius * 0.86 * Math.cos(next), y + radius * 0.86 * Math.sin(next),
    );
  }
  pen.fill();
  pen.stroke();
  pen.beginPath();
  pen.arc(x, y, Math.max(2, radius * 0.16), 0, 2 * Math.PI);
  pen.fillStyle = "#5b3a1e";
  pen.fill();
}

function drawPits(pen, view) {
  for (let i = 0; i < study.pits.n; i += 1) {
    const box = study.pits.box(i);
    if (!isSeen(box, view, 0)) continue;
    pen.beginPath();
    if (view.pixelsPerM < LEAST_PIXELS_A_M) {
      const x = ((box[0] + box[2]) / 2) * view.scale - view.dx;
      const y = ((box[1] + box[3]) / 2) * view.scale - view.dy;
      pen.rect(x - 4, y - 4, 8, 8);
    } else {
      trace(pen, study.pits, i, view, true);
    }
    pen.fillStyle = "#ffd24a";
    pen.fill();
    pen.strokeStyle = "#3a2a00";
    pen.lineWidth = 2;
    pen.stroke();
  }
}

function drawChosen(pen, view) {
  if (!chosen) return;
  pen.strokeStyle = "#d1195f";
  pen.lineWidth = 4;
  pen.beginPath();
  if (chosen.kind === "tree") {
    const box = study.trees.shape.box(chosen.row);
    const radius = crownPx(chosen.row, view) + 7;
    pen.arc(box[0] * view.scale - view.dx, box[1] * view.scale - view.dy, radius, 0, 2 * Math.PI);
  } else if (chosen.kind === "hole") {
    const box = study.digs.shape.box(chosen.row);
    pen.arc(box[0] * view.scale - view.dx, box[1] * view.scale - view.dy, 9, 0, 2 * Math.PI);
  } else if (chosen.kind === "pit") {
    trace(pen, study.pits, chosen.row, view, true);
  } else {
    const rows = chosen.kind === "run" ? [chosen.row] : study.runsOfStreet.get(chosen.row) || [];
    pen.globalAlpha = 0.45;
    pen.lineWidth = 16;
    for (const row of rows) trace(pen, study.runs.shape, row, view, false);
  }
  pen.stroke();
  pen.globalAlpha = 1;
}
