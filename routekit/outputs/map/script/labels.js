// Words and signs on the plan: each stands where it has room, and none on another. What matters
// most comes first: what is marked, names of streets, signs of runs, pits, then single numbers.

const WORDS_FONT = "11px system-ui, sans-serif";
const STRONG_FONT = "bold 11px system-ui, sans-serif";
const STREET_FONT = "italic 13px system-ui, sans-serif";
const STREET_INK = "#4b3f2a";
const HALO = "rgba(251, 250, 245, 0.92)";
const TRIES_A_STEP = 10;
const RUNS_A_STEP = 200;

// A box on the plan: its middle, its size, and the direction of its long side.
const boxAt = (x, y, across, high, ux = 1, uy = 0) => ({ x, y, across, high, ux, uy });

// Boxes that are taken, by square cells, so that a new one is held against its neighbours only.
class Room {
  side = 64;
  cells = new Map();

  eachCell(box, visit) {
    const wide = (Math.abs(box.ux) * box.across + Math.abs(box.uy) * box.high) / 2;
    const tall = (Math.abs(box.uy) * box.across + Math.abs(box.ux) * box.high) / 2;
    const lastColumn = Math.floor((box.x + wide) / this.side);
    const lastRow = Math.floor((box.y + tall) / this.side);
    for (let row = Math.floor((box.y - tall) / this.side); row <= lastRow; row += 1) {
      for (let column = Math.floor((box.x - wide) / this.side); column <= lastColumn; column += 1) {
        visit(row * 65536 + column);
      }
    }
  }

  isFree(box) {
    let isFree = true;
    this.eachCell(box, (cell) => {
      if (isFree && (this.cells.get(cell) || []).some((other) => doMeet(box, other))) isFree = false;
    });
    return isFree;
  }

  // Takes the first of the boxes that is free, and gives it; null if none is.
  take(boxes) {
    const found = boxes.find((box) => this.isFree(box));
    if (!found) return null;
    this.eachCell(found, (cell) => {
      if (this.cells.has(cell)) this.cells.get(cell).push(found);
      else this.cells.set(cell, [found]);
    });
    return found;
  }
}

// Two turned boxes meet unless a side of one parts them.
function doMeet(one, other) {
  const [dx, dy] = [other.x - one.x, other.y - one.y];
  const reach = (box, ax, ay) => Math.abs(box.ux * ax + box.uy * ay) * box.across / 2
    + Math.abs(box.ux * ay - box.uy * ax) * box.high / 2;
  for (const { ux, uy } of [one, other]) {
    for (const [ax, ay] of [[ux, uy], [-uy, ux]]) {
      if (Math.abs(dx * ax + dy * ay) >= reach(one, ax, ay) + reach(other, ax, ay)) return false;
    }
  }
  return true;
}

const wordWidths = new Map();

function widthOf(pen, words, font) {
  const key = `${font}|${words}`;
  if (!wordWidths.has(key)) {
    if (wordWidths.size > 20000) wordWidths.clear();
    pen.font = font;
    wordWidths.set(key, pen.measureText(words).width);
  }
  return wordWidths.get(key);
}

const isOnSheet = (view, x, y) => x >= 0 && y >= 0 && x <= view.width && y <= view.height;

// Writes words in the middle of a box, along its long side.
function writeIn(pen, box, words, colour, font) {
  pen.save();
  pen.translate(box.x, box.y);
  pen.rotate(Math.atan2(box.uy, box.ux));
  pen.font = font;
  pen.textAlign = "center";
  pen.textBaseline = "middle";
  pen.strokeStyle = HALO;
  pen.lineWidth = 3;
  pen.strokeText(words, 0, 0);
  pen.fillStyle = colour;
  pen.fillText(words, 0, 0);
  pen.restore();
}

// What is left out of a long name is told.
function shorten(text, most = 24) {
  const signs = [...String(text ?? "")];
  return signs.length > most ? `${signs.slice(0, most - 1).join("")}\u2026` : signs.join("");
}

function* drawLabels(pen, view) {
  const room = new Room();
  yield* labelMarked(pen, view, room);
  if (drawing.isOn.street_names) yield* labelStreets(pen, view, room);
  if (drawing.isOn.runs) yield* labelRuns(pen, view, room);
  if (drawing.isOn.pits) yield* labelPits(pen, view, room);
  if (drawing.isOn.runs) yield* numberRuns(pen, view, room);
  if (drawing.isOn.stems) yield* labelTrees(pen, view, room);
  if (drawing.isOn.services) yield* labelServices(pen, view, room);
}

// ---- names of streets ----

const STREET_AGAIN = 520;

function* labelStreets(pen, view, room) {
  const { streets } = study;
  const placed = new Map();
  let tries = 0;
  for (let i = 0; i < streets.n; i += 1) {
    if (!isInView(streets.outlines, i, view)) continue;
    const words = shorten(streets.get("street", i));
    const across = widthOf(pen, words, STREET_FONT) + 6;
    const way = wayOf(view, streets.outlines, i);
    if (way.length < 0.7 * across) continue;
    if (!placed.has(words)) placed.set(words, []);
    const before = placed.get(words);
    for (const at of spotsAlong(way.length, across)) {
      tries += 1;
      if (tries % TRIES_A_STEP === 0) yield;
      const [x, y] = placeOn(way, at);
      if (!isOnSheet(view, x, y) || before.some((one) => Math.hypot(one.x - x, one.y - y) < STREET_AGAIN)) continue;
      const box = room.take(besideWay(way, at, across, view));
      if (!box) continue;
      before.push(box);
      writeIn(pen, box, words, STREET_INK, STREET_FONT);
    }
  }
}

// A line in pixels: its corners, how far along each lies, and its length.
function wayOf(view, outlines, i) {
  /** @type {{x: number[], y: number[], along: number[], length: number}} */
  const way = { x: [], y: [], along: [], length: 0 };
  const { x, y, along } = way;
  for (let v = outlines.first(i); v < outlines.last(i); v += 1) {
    x.push(outlines.x[v] * view.scale - view.dx);
    y.push(outlines.y[v] * view.scale - view.dy);
    const k = x.length - 1;
    along.push(k ? along[k - 1] + Math.hypot(x[k] - x[k - 1], y[k] - y[k - 1]) : 0);
  }
  way.length = along[along.length - 1];
  return way;
}

// From the middle of a line outwards, as far as words of a width still find support.
function spotsAlong(length, across) {
  const [spots, step] = [[length / 2], Math.max(36, across / 4)];
  for (let away = step; length / 2 - away >= across * 0.35; away += step) spots.push(length / 2 - away, length / 2 + away);
  return spots;
}

// The place on a line at a distance along it; beyond an end, straight on.
function placeOn({ x, y, along }, at) {
  let [low, high] = [0, along.length - 2];
  while (low < high) {
    const mid = Math.ceil((low + high) / 2);
    if (along[mid] <= at) low = mid;
    else high = mid - 1;
  }
  const leg = along[low + 1] - along[low];
  const share = leg ? (at - along[low]) / leg : 0;
  return [x[low] + share * (x[low + 1] - x[low]), y[low] + share * (y[low + 1] - y[low])];
}

// Boxes on either side of a line, upright, where it is nearly straight for the width of the words.
function besideWay(way, at, across, view) {
  const [start, stop] = [placeOn(way, at - across / 2), placeOn(way, at + across / 2)];
  const chord = Math.hypot(stop[0] - start[0], stop[1] - start[1]);
  if (chord < 0.97 * across) return [];
  let [ux, uy] = [(stop[0] - start[0]) / chord, (stop[1] - start[1]) / chord];
  if (ux < -0.01 || (ux < 0.01 && uy > 0)) [ux, uy] = [-ux, -uy];
  const away = signRadius(view) + 12;
  const [x, y] = [(start[0] + stop[0]) / 2, (start[1] + stop[1]) / 2];
  return [1, -1].map((side) => boxAt(x + side * away * uy, y - side * away * ux, across, 17, ux, uy));
}

// ---- signs of runs ----

// Runs that have their sign, and where.
const signed = new Map();

const LEAST_RUN = 12;
const SAME_APART = 34;

// Far out one sign for a street or string and technique; nearer one every so far; then every run.
function signsApart(view) {
  if (view.pixelsPerM < 0.6) return Infinity;
  return view.pixelsPerM < 2.2 ? 220 : SAME_APART;
}

const signRadius = (view) => Math.max(6.5, Math.min(8.5, 5.5 + view.pixelsPerM));

function groupOf(run, view) {
  if (view.pixelsPerM >= 2.2) return `run ${run}`;
  const string = study.runs.get("string_id", run);
  if (string) return `string ${string}`;
  const street = study.runs.get("street", run);
  return street ? `street ${street}` : `run ${run}`;
}

function* labelRuns(pen, view, room) {
  if (view.pixelsPerM < 0.12) return;
  let tries = 0;
  const apart = signsApart(view);
  const classes = [...(drawing.lettered || [])].sort((a, b) => a[1].length - b[1].length);
  for (const [stroke, runs] of classes) {
    const groups = new Map();
    yield* groupSpots(view, runs, groups);
    for (const spots of groups.values()) {
      const placed = [];
      for (const spot of middleFirst(spots)) {
        tries += 1;
        if (tries % TRIES_A_STEP === 0) yield;
        if (placed.some((one) => Math.hypot(one.x - spot.x, one.y - spot.y) < apart)) continue;
        const box = placeSign(view, room, spot);
        if (!box) continue;
        placed.push(box);
        drawSign(pen, view, stroke, box);
        signed.set(spot.run, box);
        if (apart === Infinity) break;
      }
    }
  }
}

function* groupSpots(view, runs, groups) {
  const least = view.pixelsPerM < 0.6 ? LEAST_RUN / 3 : LEAST_RUN;
  for (let k = 0; k < runs.length; k += 1) {
    if (k % RUNS_A_STEP === 0) yield;
    const [x, y, length, dx, dy] = middleOf(view, study.runs.outlines, runs[k]);
    if (length < least || !isOnSheet(view, x, y) || signed.has(runs[k])) continue;
    const name = groupOf(runs[k], view);
    if (!groups.has(name)) groups.set(name, []);
    groups.get(name).push({ run: runs[k], x, y, length, dx, dy });
  }
}

function middleFirst(spots) {
  if (spots.length < 2) return spots;
  const mean = (name) => spots.reduce((sum, spot) => sum + spot[name], 0) / spots.length;
  const [x, y] = [mean("x"), mean("y")];
  for (const spot of spots) spot.away = Math.hypot(spot.x - x, spot.y - y);
  return spots.sort((a, b) => a.away - b.away);
}

function placeSign(view, room, { x, y, length, dx, dy }) {
  const shares = length < SAME_APART ? [0] : [0, 0.15, -0.15, 0.3, -0.3, 0.42, -0.42];
  const side = 2 * signRadius(view) + 2;
  return room.take(shares.map((share) => boxAt(x + share * dx, y + share * dy, side, side)));
}

/** @type {Map<any, Path2D>} */
const markPaths = new Map();

function drawSign(pen, view, stroke, { x, y }) {
  const r = signRadius(view);
  pen.beginPath();
  pen.arc(x, y, r, 0, 2 * Math.PI);
  pen.fillStyle = "#ffffff";
  pen.fill();
  pen.strokeStyle = stroke.colour;
  pen.lineWidth = 1.8;
  pen.stroke();
  if (!markPaths.has(stroke)) markPaths.set(stroke, new Path2D(stroke.mark));
  pen.save();
  pen.translate(x, y);
  pen.scale(r / 8.4, r / 8.4);
  pen.fillStyle = INK;
  pen.fill(markPaths.get(stroke), "evenodd");
  pen.restore();
}

// What the reading column is about has its sign before all others.
function* labelMarked(pen, view, room) {
  signed.clear();
  for (const run of markedRuns()) {
    const [x, y, length, dx, dy] = middleOf(view, study.runs.outlines, run);
    if (length < SAME_APART || !isOnSheet(view, x, y)) continue;
    const box = placeSign(view, room, { x, y, length, dx, dy });
    if (!box) continue;
    drawSign(pen, view, strokeOf(drawing.view, run), box);
    signed.set(run, box);
    yield;
  }
}

// Numbers of runs beside their signs, close by.
function* numberRuns(pen, view, room) {
  if (view.pixelsPerM <= 3.2) return;
  for (const [run, { x, y }] of signed) {
    if (middleOf(view, study.runs.outlines, run)[2] <= 110) continue;
    const words = shorten(study.runs.get("run_id", run));
    const box = room.take(aroundSpot(x, y, 11, widthOf(pen, words, WORDS_FONT) + 4));
    if (box) writeIn(pen, box, words, INK, WORDS_FONT);
    yield;
  }
}

// Boxes for words right, left, above and below a spot.
function aroundSpot(x, y, away, across) {
  const aside = away + across / 2;
  return [boxAt(x + aside, y, across, 14), boxAt(x - aside, y, across, 14),
    boxAt(x, y - away - 7, across, 14), boxAt(x, y + away + 7, across, 14)];
}

// ---- pits, trees, services ----

// Names of pits stand beside the pit, off the bars that run along it.
function* labelPits(pen, view, room) {
  if (view.pixelsPerM < 2) return;
  for (let i = 0; i < study.pits.n; i += 1) {
    if (study.pits.outlines.isEmpty(i) || !isInView(study.pits.outlines, i, view)) continue;
    const words = pitName(i);
    const across = widthOf(pen, words, STRONG_FONT) + 4;
    const box = room.take(besidePit(view, i, across).map(([x, y]) => boxAt(x, y, across, 14)));
    if (box) writeIn(pen, box, words, INK, STRONG_FONT);
    yield;
  }
}

function* labelTrees(pen, view, room) {
  if (view.pixelsPerM <= 6) return;
  const { trees } = study;
  for (let i = 0; i < trees.n; i += 1) {
    if (trees.outlines.isEmpty(i) || !isInView(trees.outlines, i, view)) continue;
    const [x, y] = pixel(view, trees.outlines, i);
    const words = shorten(trees.get("tree_id", i));
    const box = room.take(aroundSpot(x, y, stemRadius(view, i) + 2, widthOf(pen, words, WORDS_FONT) + 4));
    if (box) writeIn(pen, box, words, "#2f4a2b", WORDS_FONT);
    yield;
  }
}

const SERVICE_MARKS = { gas: "G", water: "W", electricity: "E", telecom: "T", heat: "H", sewer: "S" };

function* labelServices(pen, view, room) {
  if (view.pixelsPerM < 1.2) return;
  const { services } = study;
  for (let i = 0; i < services.n; i += 1) {
    if (!isInView(services.outlines, i, view)) continue;
    const [x, y, , dx, dy] = middleOf(view, services.outlines, i);
    const spots = [0, 0.2, -0.2, 0.4, -0.4].map((share) => boxAt(x + share * dx, y + share * dy, 13, 14));
    const box = room.take(spots);
    if (box) writeIn(pen, box, SERVICE_MARKS[services.get("kind", i)] || "X", "#3b474f", WORDS_FONT);
    yield;
  }
}
