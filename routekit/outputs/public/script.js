// The page for residents: map, search, languages and the card of what was tapped.
// Text reaches the screen as text only, and nothing is fetched.

const TOPICS = ["works", "pits", "trees", "parking", "traffic", "noise"];
const BACKDROP = {
  carriageway: "#ffffff",
  footway: "#f4f0e6",
  cycleway: "#f6e4dc",
  parking: "#e4eaf3",
  verge: "#e5efd4",
  planting: "#dbe9c3",
  building: "#e3dbcd",
};
const FINGER_PX = 22;
const CLOSE_ZOOM = 19;
const STREET_ZOOM = 19;
const NAMES_ZOOM = 16;
const DIGS_ZOOM = 18;
const LEAST_PIXELS_A_M = 3;
const LINES_A_STROKE = 50;
const LONGEST_NAME = 26;
const PLATE_GAP_PX = 9;
const LEAST_SYMBOL_PX = 7;
const TINY_PX = 4;
const PRINT_CM = { width: "17cm", height: "9cm" };

const byId = (id) => document.getElementById(id);

let page = null;
let study = null;
let words = null;
let map = null;
let canvas = null;
let chosen = null;

function make(tag, attributes = {}, text = null) {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
  if (text !== null) element.textContent = text;
  return element;
}

// ---- words -------------------------------------------------------------------------------

function write(value) {
  if (Array.isArray(value)) return say(value);
  if (typeof value === "string") return value;
  return String(value).replace(".", words.decimal);
}

function say([topic, key, values = {}]) {
  let template = words[topic][key];
  if (typeof template !== "string") {
    const isOne = words.one_below_two ? values.n < 2 : values.n === 1;
    template = template[isOne ? "one" : "other"];
  }
  return template.replace(/\{(\w+)\}/g, (_, name) => write(values[name]));
}

const ui = (key, id) => say(["ui", key, { id }]);

function streetTitle(street) {
  const label = page.streets.label[street];
  return page.streets.named[street] ? label : ui("area", label);
}

function speak(code) {
  words = page.languages[code];
  document.documentElement.lang = code;
  byId("language").value = code;
  for (const element of document.querySelectorAll("[data-ui]")) {
    element.textContent = words.ui[element.dataset.ui];
  }
  for (const [name, topic] of [["legend", "legend"], ["caution", "cautions"], ["topic", "topic"]]) {
    for (const element of document.querySelectorAll(`[data-${name}]`)) {
      element.textContent = words[topic][element.dataset[name]];
    }
  }
  const date = document.querySelector("[data-date]");
  if (date) date.textContent = ui("date", date.dataset.date);
  page.streets.label.forEach((_, street) => sayStreet(street));
  const name = document.querySelector("h1").textContent;
  document.title = `${name} · ${words.ui.heading}`;
  narrowList();
  if (chosen) showCard(false);
}

// Sentences in the order in which the HTML holds them: topic by topic.
function sayStreet(street) {
  const folded = byId(`s${street}`);
  folded.querySelector(".plate").textContent = streetTitle(street);
  const said = page.streets.said[street];
  const ordered = TOPICS.flatMap((topic) => said.filter((one) => one[0] === topic));
  folded.querySelectorAll(".said > ul:not(.marked, .chips) > li").forEach((line, at) => {
    line.textContent = say(ordered[at]);
  });
  const ask = folded.querySelector(".ask");
  const link = ask.querySelector(".write");
  const number = ask.querySelector(".number").textContent;
  if (link) fillLink(link, number, `${streetTitle(street)} (${number})`);
}

// ---- questions to the council ----------------------------------------------------------------

const contactKind = () => {
  if (!page.contact) return "none";
  return page.contact.startsWith("https://") ? "web" : "mail";
};

function fillLink(link, number, subject) {
  const spell = (text) => encodeURIComponent(text);
  if (contactKind() === "web") {
    link.href = page.contact.replaceAll("{number}", spell(number));
    link.textContent = ui("form", number);
    return;
  }
  const about = spell(ui("subject", subject));
  link.href = `mailto:${spell(page.contact).replaceAll("%40", "@")}?subject=${about}&body=${about}`;
  link.textContent = ui("write", number);
}

function askBox(number, title) {
  const box = make("div", { class: "ask" });
  const intro = make("p", { id: "ask-intro" }, words.ui[`ask_${contactKind()}`]);
  const field = make("input", { readonly: "", value: number, "aria-labelledby": "ask-intro", class: "number" });
  const copy = make("button", { type: "button" }, words.ui.copy);
  const heard = make("span", { role: "status" });
  copy.addEventListener("click", async () => {
    field.select();
    try {
      await navigator.clipboard.writeText(number);
      heard.textContent = words.ui.copied;
    } catch {
      heard.textContent = words.ui.select;
    }
  });
  box.append(intro, field, copy, heard);
  if (contactKind() !== "none") {
    const link = make("a", { class: "write", rel: "noreferrer" });
    fillLink(link, number, title);
    box.append(link);
  }
  return box;
}

// ---- what can be chosen ----------------------------------------------------------------------

const KINDS = {
  street: {
    count: () => page.streets.label.length,
    id: (row) => page.streets.label[row],
    title: (row) => streetTitle(row),
  },
  run: {
    count: () => study.runs.table.n,
    id: (row) => study.runs.table.get("run_id", row),
    title: (row) => ui("run", KINDS.run.id(row)),
    street: (row) => study.runs.table.get("street", row),
    said: (row) => {
      const [first, ...rest] = page.run_words[study.runs.table.get("technique", row)];
      const metres = study.runs.table.get("metres", row);
      return [[first[0], first[1], { m: metres }], ...rest];
    },
    box: (row) => study.runs.shape.box(row),
  },
  tree: {
    count: () => study.trees.table.n,
    id: (row) => study.trees.table.get("tree_id", row),
    title: (row) => ui("tree", KINDS.tree.id(row)),
    street: (row) => study.streetOfTree.get(row),
    said: (row) => page.tree_words[study.trees.table.get("kind", row)],
    box: (row) => study.trees.shape.box(row),
  },
  pit: {
    count: () => page.pits.pit_id.length,
    id: (row) => page.pits.pit_id[row],
    title: (row) => ui("pit", KINDS.pit.id(row)),
    street: (row) => page.pits.street[row],
    said: (row) => [page.pits.said[row]],
    box: (row) => study.pits.box(row),
  },
};

function findRow(kind, id) {
  for (let row = 0; row < KINDS[kind].count(); row += 1) {
    if (String(KINDS[kind].id(row)) === id) return row;
  }
  return -1;
}

function choose(kind, row) {
  const hash = `#${kind}=${encodeURIComponent(KINDS[kind].id(row))}`;
  if (location.hash === hash) followHash();
  else location.hash = hash;
}

// The address says what is chosen, so that links and the back button work.
function followHash() {
  byId("heard").textContent = "";
  const match = /^#(street|run|tree|pit)=(.*)$/s.exec(location.hash);
  if (!match) {
    closeCard();
    return;
  }
  let id = match[2];
  try {
    id = decodeURIComponent(match[2]);
  } catch {
    // A broken address is looked up as it stands.
  }
  const row = findRow(match[1], id);
  if (row < 0) {
    closeCard();
    byId("heard").textContent = ui("not_found", id);
    return;
  }
  chosen = { kind: match[1], row };
  if (chosen.kind === "street") openStreet(row);
  else showCard(true);
  goTo(chosen.kind, row);
}

function openStreet(street) {
  hideCard();
  byId("find").value = "";
  narrowList();
  const folded = byId(`s${street}`);
  folded.open = true;
  const heading = folded.querySelector("summary");
  heading.focus({ preventScroll: true });
  folded.scrollIntoView({ block: "start" });
}

function showCard(takesFocus) {
  const { kind, row } = chosen;
  if (kind === "street") return;
  const part = KINDS[kind];
  byId("card-title").textContent = part.title(row);
  const body = byId("card-body");
  body.replaceChildren();
  if (kind === "tree" && study.trees.table.get("species", row)) {
    body.append(make("p", { class: "species", dir: "auto" }, study.trees.table.get("species", row)));
  }
  for (const one of part.said(row)) body.append(make("p", { dir: "auto" }, say(one)));
  const street = part.street(row);
  if (street !== undefined) {
    const button = make("button", { type: "button", class: "to-street", dir: "auto" }, streetTitle(street));
    button.addEventListener("click", () => choose("street", street));
    body.append(button);
  }
  const title = street === undefined ? part.title(row) : `${part.title(row)} (${streetTitle(street)})`;
  body.append(askBox(part.id(row), title));
  byId("card").hidden = false;
  const isOverPage = getComputedStyle(byId("card")).position === "fixed";
  if (takesFocus && isOverPage) byId("plan").scrollIntoView({ block: "start" });
  if (takesFocus) byId("card-title").focus({ preventScroll: true });
}

function hideCard() {
  byId("card").hidden = true;
}

function closeCard() {
  chosen = null;
  hideCard();
  if (canvas) canvas.redraw();
}

// ---- list ----------------------------------------------------------------------------------------

const plain = (text) => text.normalize("NFD").replace(/\p{M}/gu, "").toLowerCase();

function narrowList() {
  const wanted = plain(byId("find").value.trim());
  let count = 0;
  page.streets.label.forEach((_, street) => {
    const fits = plain(streetTitle(street)).includes(wanted);
    byId(`s${street}`).hidden = !fits;
    if (fits) count += 1;
  });
  byId("find-count").textContent = say(["ui", "find_count", { n: count }]);
}

// Buttons for the map, the sewers and the trees of a street, made when it is first opened.
function furnish(street) {
  const folded = byId(`s${street}`);
  if (folded.dataset.furnished) return;
  folded.dataset.furnished = "yes";
  const show = make("button", { type: "button", class: "show", "data-ui": "show_map" }, words.ui.show_map);
  show.addEventListener("click", () => {
    goTo("street", street);
    byId("map").scrollIntoView({ block: "center" });
    byId("map").focus({ preventScroll: true });
  });
  folded.querySelector(".said").prepend(show);
  const chips = make("ul", { class: "chips" });
  for (const row of study.treesOfStreet.get(street) || []) {
    const item = make("li");
    const button = make("button", { type: "button" });
    button.append(make("bdi", {}, study.trees.table.get("tree_id", row)));
    const species = study.trees.table.get("species", row);
    if (species) button.append(make("bdi", { class: "species" }, species));
    if (study.trees.table.get("protected", row)) {
      button.append(make("span", { "data-ui": "protected", class: "is-protected" }, words.ui.protected));
    }
    button.addEventListener("click", () => choose("tree", row));
    item.append(button);
    chips.append(item);
  }
  if (!chips.childElementCount) return;
  const title = make("h4", { "data-ui": "trees_here" }, words.ui.trees_here);
  const marked = folded.querySelector(".marked");
  if (marked) marked.hidden = true;
  folded.querySelector(".ask").before(title, chips);
}

// ---- map -----------------------------------------------------------------------------------------

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

// Called by the shared canvas after each move.
function drawSheet(pen, view) {
  drawBackdrop(pen, view);
  drawRuns(pen, view);
  drawDigs(pen, view);
  drawTrees(pen, view);
  drawPits(pen, view);
  drawChosen(pen, view);
  drawNames(pen, view);
}

// A street's plate beside the middle of its longest sewer, unless another one is in the way.
function drawNames(pen, view) {
  if (map.getZoom() < NAMES_ZOOM) return;
  pen.font = "600 13px sans-serif";
  pen.textBaseline = "middle";
  pen.textAlign = "center";
  const taken = [];
  for (const [street, run] of study.longestRun) {
    const { shape } = study.runs;
    if (!isSeen(shape.box(run), view, 0)) continue;
    const [gx, gy] = middleOf(shape, run);
    const text = shorten(streetTitle(street));
    const half = pen.measureText(text).width / 2 + 7;
    const [west, north, east, south] = shape.box(run);
    const isSteep = south - north > east - west;
    const x = gx * view.scale - view.dx - (isSteep ? half + PLATE_GAP_PX : 0);
    const y = gy * view.scale - view.dy + (isSteep ? 0 : 12 + PLATE_GAP_PX);
    const plate = [x - half, y - 12, x + half, y + 12];
    if (taken.some((t) => t[0] < plate[2] && t[2] > plate[0] && t[1] < plate[3] && t[3] > plate[1])) continue;
    taken.push(plate);
    pen.beginPath();
    pen.roundRect(plate[0], plate[1], 2 * half, 24, 6);
    pen.fillStyle = "#14493a";
    pen.fill();
    pen.lineWidth = 1.5;
    pen.strokeStyle = "#fffbea";
    pen.stroke();
    pen.fillStyle = "#fffbea";
    pen.fillText(text, x, y);
  }
}

const shorten = (text) => {
  const signs = [...text];
  return signs.length > LONGEST_NAME ? `${signs.slice(0, LONGEST_NAME - 1).join("")}…` : text;
};

// The point half-way along a line.
function middleOf(shape, feature) {
  const [first, last] = [shape.first(feature), shape.last(feature)];
  const step = (v) => Math.hypot(shape.x[v + 1] - shape.x[v], shape.y[v + 1] - shape.y[v]);
  let length = 0;
  for (let v = first; v + 1 < last; v += 1) length += step(v);
  let rest = length / 2;
  for (let v = first; v + 1 < last; v += 1) {
    const part = step(v);
    if (rest <= part) {
      const t = part ? rest / part : 0;
      return [shape.x[v] + t * (shape.x[v + 1] - shape.x[v]), shape.y[v] + t * (shape.y[v + 1] - shape.y[v])];
    }
    rest -= part;
  }
  return [shape.x[first], shape.y[first]];
}

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
  for (let i = 0; i < study.digs.n; i += 1) {
    const box = study.digs.box(i);
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

// A pit wins within half a finger, then whichever of tree and sewer is nearer.
function tap(event) {
  const { x, y } = map.project(event.latlng, ZOOM_OF_GRID);
  const finger = FINGER_PX / 2 ** (map.getZoom() - ZOOM_OF_GRID);
  const pit = nearest(study.pits, x, y, finger / 2);
  if (pit.row >= 0) {
    choose("pit", pit.row);
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

// ---- start ---------------------------------------------------------------------------------------

function groupRows(count, keyOf) {
  const groups = new Map();
  for (let row = 0; row < count; row += 1) {
    const key = keyOf(row);
    if (!groups.has(key)) groups.set(key, []);
    groups.get(key).push(row);
  }
  return groups;
}

function readStudy() {
  const runs = { table: new Table(page.runs.table), shape: new Outlines(page.runs.shape) };
  const trees = { table: new Table(page.trees.table), shape: new Outlines(page.trees.shape) };
  const pairs = page.tree_streets;
  const treesOfStreet = new Map();
  const streetOfTree = new Map();
  pairs.tree.forEach((tree, at) => {
    const street = pairs.street[at];
    if (!treesOfStreet.has(street)) treesOfStreet.set(street, []);
    treesOfStreet.get(street).push(tree);
    if (!streetOfTree.has(tree)) streetOfTree.set(tree, street);
  });
  const runsOfStreet = groupRows(runs.table.n, (row) => runs.table.get("street", row));
  const metres = (row) => runs.table.get("metres", row);
  const longestRun = new Map();
  for (const [street, rows] of runsOfStreet) {
    longestRun.set(street, rows.reduce((best, row) => (metres(row) > metres(best) ? row : best)));
  }
  return {
    cells: page.cells,
    runs,
    runsOfStreet,
    longestRun,
    trees,
    treesOfStreet,
    streetOfTree,
    pits: new Outlines(page.pits.shape),
    digs: new Outlines(page.digs),
    backdrop: new Outlines(page.backdrop.shape),
  };
}

// Print everything: each street opened and the map at the size of the sheet; then back again.
function watchPrinting() {
  let before = null;
  window.addEventListener("beforeprint", () => {
    if (before) return;
    before = {
      folded: [...document.querySelectorAll("details.street:not([open])")],
      view: map ? [map.getCenter(), map.getZoom()] : null,
    };
    for (const one of before.folded) one.open = true;
    resizeMap(PRINT_CM);
  });
  window.addEventListener("afterprint", () => {
    if (!before) return;
    for (const one of before.folded) one.open = false;
    resizeMap({ width: "", height: "" });
    if (before.view) map.setView(...before.view, { animate: false });
    before = null;
  });
}

function resizeMap(size) {
  if (!map) return;
  Object.assign(byId("map").style, size);
  map.invalidateSize({ animate: false, pan: false });
  showWhole();
}

async function start() {
  watchPrinting();
  if (!canUnpack()) {
    byId("old-browser").hidden = false;
    return;
  }
  page = await unpack("payload");
  study = readStudy();
  words = page.languages[page.first];
  for (const element of document.querySelectorAll(".needs-script")) element.hidden = false;
  byId("language").value = page.first;
  byId("language").addEventListener("change", (event) => speak(event.target.value));
  byId("find").addEventListener("input", narrowList);
  narrowList();
  if (study.runs.table.n) {
    startMap();
    byId("card-close").addEventListener("click", () => {
      history.replaceState(null, "", location.pathname + location.search);
      closeCard();
      byId("map").focus({ preventScroll: true });
    });
    page.streets.label.forEach((_, street) => {
      byId(`s${street}`).addEventListener("toggle", () => furnish(street));
    });
    window.addEventListener("hashchange", followHash);
    if (location.hash) followHash();
  }
  document.documentElement.dataset.ready = "yes";
}

start();
