// The map: what it shows, where it goes and what a tap finds.

function boxOf(kind, row) {
  if (kind !== "street") return KINDS[kind].box(row);
  const box = [Infinity, Infinity, -Infinity, -Infinity];
  for (const run of study.runsOfStreet.get(row) || []) grow(box, study.runs.shape.box(run));
  return box;
}

function grow(box, other) {
  box[0] = Math.min(box[0], other[0]);
  box[1] = Math.min(box[1], other[1]);
  box[2] = Math.max(box[2], other[2]);
  box[3] = Math.max(box[3], other[3]);
}

/** @param {number[]} box */
function boundsOf([west, north, east, south]) {
  return L.latLngBounds(gridToLatLng(west, south), gridToLatLng(east, north));
}

// What is chosen comes into the part of the map that the card leaves free.
function goTo(kind, row) {
  const box = boxOf(kind, row);
  if (!Number.isFinite(box[0])) return;
  const maxZoom = kind === "street" ? STREET_ZOOM : CLOSE_ZOOM;
  const [left, bottom] = coveredByCard();
  map.fitBounds(boundsOf(box), {
    maxZoom,
    paddingTopLeft: [30 + left, 30],
    paddingBottomRight: [60, 30 + bottom],
    animate: false,
  });
  canvas.redraw();
}

function coveredByCard() {
  const card = byId("card");
  if (card.hidden) return [0, 0];
  const over = card.getBoundingClientRect();
  const frame = byId("map").getBoundingClientRect();
  if (over.width < frame.width * 0.8) return [over.right - frame.left, 0];
  return [0, Math.min(frame.height * 0.7, Math.max(0, frame.bottom - over.top))];
}

function showWhole() {
  const box = [Infinity, Infinity, -Infinity, -Infinity];
  for (let run = 0; run < study.runs.table.n; run += 1) grow(box, study.runs.shape.box(run));
  const sides = { paddingTopLeft: [20, 24], paddingBottomRight: [64, 24] };
  map.fitBounds(boundsOf(box), { ...sides, animate: false });
}

function isSeen(box, view, reach) {
  return (
    box[2] >= view.west - reach && box[0] <= view.east + reach &&
    box[3] >= view.north - reach && box[1] <= view.south + reach
  );
}

function trace(pen, shape, feature, view, closes) {
  for (let ring = shape.ringStart[feature]; ring < shape.ringStart[feature + 1]; ring += 1) {
    for (let v = shape.vertexStart[ring]; v < shape.vertexStart[ring + 1]; v += 1) {
      const x = shape.x[v] * view.scale - view.dx;
      const y = shape.y[v] * view.scale - view.dy;
      if (v === shape.vertexStart[ring]) pen.moveTo(x, y);
      else pen.lineTo(x, y);
    }
    if (closes) pen.closePath();
  }
}

// Called by the shared canvas after each move, which may rest at a yield.
function* drawSheet(pen, view) {
  drawBackdrop(pen, view);
  drawRuns(pen, view);
  yield;
  drawTrees(pen, view);
  yield;
  drawDigs(pen, view);
  drawPits(pen, view);
  drawChosen(pen, view);
  drawNames(pen, view);
}

// A street's name along its line, where it fits: inside the map, clear of other names and of the
// buttons and, far out, not twice as long as the street is drawn.
function drawNames(pen, view) {
  pen.font = `600 ${NAME_PX}px sans-serif`;
  pen.textBaseline = "middle";
  pen.textAlign = "center";
  pen.lineJoin = "round";
  const frame = frameOnSheet(view);
  /** @type {number[][]} */
  const taken = [];
  const isFarOut = map.getZoom() < NAMES_ZOOM;
  for (const [street, runs] of study.runsByLength) {
    const length = isFarOut ? drawnLength(street, view) : Infinity;
    if (length < LEAST_STREET_PX) continue;
    const text = shorten(streetTitle(street));
    const half = pen.measureText(text).width / 2 + 3;
    if (length < half) continue;
    const place = findPlace(runs, half, view, frame, taken);
    if (place) writeAlong(pen, place, text);
  }
}

// The first free place beside the longest sewers of a street: at the middle, then towards the ends.
function findPlace(runs, half, view, frame, taken) {
  for (const along of NAME_PLACES) {
    for (const run of runs) {
      if (!isSeen(study.runs.shape.box(run), view, 0)) continue;
      for (const side of [-1, 1]) {
        const place = placeBeside(run, along, side, view);
        const covered = coverWith(place, half);
        if (!isFree(covered, taken, frame)) continue;
        taken.push(...covered);
        return place;
      }
    }
  }
  return null;
}

// A point beside a sewer, and the direction of its line there, so that no name is upside down.
function placeBeside(run, along, side, view) {
  const { shape } = study.runs;
  const [gx, gy, dx, dy] = pointAlong(shape, run, along);
  let angle = Math.atan2(dy, dx);
  if (angle > Math.PI / 2) angle -= Math.PI;
  if (angle <= -Math.PI / 2) angle += Math.PI;
  const x = gx * view.scale - view.dx - side * NAME_GAP_PX * Math.sin(angle);
  const y = gy * view.scale - view.dy + side * NAME_GAP_PX * Math.cos(angle);
  return { x, y, angle };
}

// Middles of the discs, as high as the letters, that cover a name.
function coverWith({ x, y, angle }, half) {
  const count = Math.max(1, Math.ceil((2 * half) / NAME_PX));
  const discs = [];
  for (let at = 0; at < count; at += 1) {
    const off = count === 1 ? 0 : (half - NAME_PX / 2) * ((2 * at) / (count - 1) - 1);
    discs.push([x + off * Math.cos(angle), y + off * Math.sin(angle)]);
  }
  return discs;
}

function writeAlong(pen, { x, y, angle }, text) {
  pen.save();
  pen.translate(x, y);
  pen.rotate(angle);
  pen.lineWidth = 4;
  pen.strokeStyle = "#fffdf7";
  pen.strokeText(text, 0, 0);
  pen.fillStyle = "#14493a";
  pen.fillText(text, 0, 0);
  pen.restore();
}

function drawnLength(street, view) {
  const [west, north, east, south] = boxOf("street", street);
  return Math.hypot(east - west, south - north) * view.scale;
}

// The map's frame on the canvas, which is larger than it.
/** @returns {[number, number, number, number]} */
function frameOnSheet(view) {
  const corner = map.containerPointToLayerPoint([0, 0]).add(map.getPixelOrigin()).subtract([view.dx, view.dy]);
  const size = map.getSize();
  return [corner.x, corner.y, corner.x + size.x, corner.y + size.y];
}

// A name may lie wholly outside the frame, to be moved in, but not across its edge; it keeps clear
// of the buttons in the corners.
function isFree(discs, taken, frame) {
  const reach = NAME_PX / 2;
  const inside = discs.filter(([x, y]) => (
    x >= frame[0] + reach && y >= frame[1] + reach && x <= frame[2] - reach && y <= frame[3] - reach
  ));
  if (inside.length && inside.length < discs.length) return false;
  const [right, bottom] = [frame[2] - 64, frame[3] - 64];
  const isUnderButton = ([x, y]) => x > right - reach && (y < frame[1] + 118 || (y > bottom && x > right - 80));
  if (inside.some(isUnderButton)) return false;
  return !discs.some(([x, y]) => taken.some((one) => Math.hypot(x - one[0], y - one[1]) < NAME_PX + 2));
}

const shorten = (text) => {
  const signs = [...text];
  return signs.length > LONGEST_NAME ? `${signs.slice(0, LONGEST_NAME - 1).join("")}…` : text;
};

// The point some share of the way along a line, and the direction of the line there.
function pointAlong(shape, feature, share) {
  const [first, last] = [shape.first(feature), shape.last(feature)];
  const step = (v) => [shape.x[v + 1] - shape.x[v], shape.y[v + 1] - shape.y[v]];
  let length = 0;
  for (let v = first; v + 1 < last; v += 1) length += Math.hypot(...step(v));
  let rest = length * share;
  for (let v = first; v + 1 < last; v += 1) {
    const [dx, dy] = step(v);
    const part = Math.hypot(dx, dy);
    if (rest <= part && part) {
      return [shape.x[v] + (rest / part) * dx, shape.y[v] + (rest / part) * dy, dx, dy];
    }
    rest -= part;
  }
  return [shape.x[first], shape.y[first], 1, 0];
}

// Distance from a point to an outline, in grid cells.
function distanceTo(shape, feature, x, y) {
  let best = Infinity;
  for (let ring = shape.ringStart[feature]; ring < shape.ringStart[feature + 1]; ring += 1) {
    for (let v = shape.vertexStart[ring]; v + 1 < shape.vertexStart[ring + 1]; v += 1) {
      const ex = shape.x[v + 1] - shape.x[v];
      const ey = shape.y[v + 1] - shape.y[v];
      const size = ex * ex + ey * ey;
      const along = size ? ((x - shape.x[v]) * ex + (y - shape.y[v]) * ey) / size : 0;
      const t = Math.min(1, Math.max(0, along));
      best = Math.min(best, Math.hypot(x - shape.x[v] - t * ex, y - shape.y[v] - t * ey));
    }
  }
  return best;
}

function nearest(shape, x, y, reach) {
  let [found, least] = [-1, reach];
  for (let i = 0; i < shape.n; i += 1) {
    const box = shape.box(i);
    if (x < box[0] - reach || x > box[2] + reach || y < box[1] - reach || y > box[3] + reach) continue;
    const inside = x >= box[0] && x <= box[2] && y >= box[1] && y <= box[3];
    const isPoint = box[0] === box[2] && box[1] === box[3];
    const away = isPoint ? Math.hypot(x - box[0], y - box[1]) : distanceTo(shape, i, x, y);
    const distance = inside && shape === study.pits ? 0 : away;
    if (distance < least) [found, least] = [i, distance];
  }
  return { row: found, distance: least };
}

// A pit, then a small hole, wins within half a finger; then whichever of tree and sewer is nearer.
function tap(event) {
  const { x, y } = map.project(event.latlng, ZOOM_OF_GRID);
  const finger = FINGER_PX / 2 ** (map.getZoom() - ZOOM_OF_GRID);
  const pit = nearest(study.pits, x, y, finger / 2);
  if (pit.row >= 0) {
    choose("pit", pit.row);
    return;
  }
  const hole = map.getZoom() < DIGS_ZOOM ? { row: -1 } : nearest(study.digs.shape, x, y, finger / 2);
  if (hole.row >= 0) {
    choose("hole", hole.row);
    return;
  }
  const tree = nearest(study.trees.shape, x, y, finger);
  const run = nearest(study.runs.shape, x, y, finger);
  if (tree.row >= 0 && tree.distance <= run.distance) choose("tree", tree.row);
  else if (run.row >= 0) choose("run", run.row);
}

function startMap() {
  byId("plan").hidden = false;
  map = L.map("map", {
    zoomControl: false, attributionControl: false, maxZoom: 21, minZoom: 3,
    zoomSnap: 0.25, zoomDelta: 1, boxZoom: false, fadeAnimation: false,
  });
  map.setView([0, 0], 3);
  canvas = new SheetCanvas();
  canvas.addTo(map);
  showWhole();
  map.on("click", tap);
  byId("closer").addEventListener("click", () => map.zoomIn());
  byId("farther").addEventListener("click", () => map.zoomOut());
  byId("whole").addEventListener("click", showWhole);
}
