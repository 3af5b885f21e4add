// Reads the data and brings the page to life.

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
  const runsByLength = new Map();
  for (const [street, rows] of runsOfStreet) {
    const longest = [...rows].sort((a, b) => metres(b) - metres(a));
    runsByLength.set(street, longest.slice(0, MOST_RUNS_TRIED));
  }
  return {
    cells: page.cells,
    runs,
    runsOfStreet,
    runsByLength,
    trees,
    treesOfStreet,
    streetOfTree,
    pits: new Outlines(page.pits.shape),
    digs: { table: new Table(page.digs.table), shape: new Outlines(page.digs.shape) },
    backdrop: new Outlines(page.backdrop.shape),
  };
}

// One street alone on the sheet, with the map of it.
function printStreet(street) {
  printed = street;
  window.print();
}

// Print everything, or the one street: opened, the map at the size of the sheet; then back again.
function watchPrinting() {
  let before = null;
  window.addEventListener("beforeprint", () => {
    if (before) return;
    if (map) page.streets.label.forEach((_, street) => furnish(street));
    const part = printed === null ? "" : `#s${printed} `;
    const folds = `${part}details:not([open])`;
    before = {
      folded: /** @type {HTMLDetailsElement[]} */ ([...document.querySelectorAll(folds)]),
      view: map ? [map.getCenter(), map.getZoom()] : null,
    };
    if (printed !== null) {
      document.body.classList.add("one-street");
      byId(`s${printed}`).classList.add("printed");
    }
    if (canvas) canvas.isAtOnce = true;
    for (const one of before.folded) one.open = printed === null || !one.matches(".trees-here, .marked");
    resizeMap(printed === null ? PRINT_CM : PRINT_ONE_CM);
    if (printed !== null && map) goTo("street", printed);
  });
  window.addEventListener("afterprint", () => {
    if (!before) return;
    for (const one of before.folded) one.open = false;
    resizeMap({ width: "", height: "" });
    if (before.view) map.setView(...before.view, { animate: false });
    if (canvas) canvas.isAtOnce = false;
    document.body.classList.remove("one-street");
    if (printed !== null) byId(`s${printed}`).classList.remove("printed");
    printed = null;
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
  /** @type {NodeListOf<HTMLElement>} */
  const asleep = document.querySelectorAll(".needs-script");
  for (const element of asleep) element.hidden = false;
  byId("language").value = page.first;
  byId("language").addEventListener("change", (event) => speak(event.target.value));
  byId("find").addEventListener("input", narrowList);
  byId("find").addEventListener("keydown", openFirst);
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
  const code = browserLanguage();
  if (code !== page.first) speak(code);
  document.documentElement.dataset.ready = "yes";
}

start();
