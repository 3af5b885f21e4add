// Opens the sheet, and keeps the address, the plan and the reading column in step.

const PAGES = {
  runs: (page) => schedule.build(page),
  filter: (page) => narrowing.build(page),
  layers: (page) => page.replaceChildren(...compact(drawPage())),
  strings: (page) => lists.strings.build(page),
  pits: (page) => lists.pits.build(page),
  digs: (page) => lists.digs.build(page),
  trees: (page) => lists.trees.build(page),
  checks: (page) => lists.checks.build(page),
  findings: (page) => lists.findings.build(page),
  totals: (page) => page.replaceChildren(...compact(sumsPage())),
  programme: (page) => page.replaceChildren(...compact(programmePage())),
  decide: (page) => deciding.build(page),
  print: (page) => page.replaceChildren(...compact(printing.page())),
  sources: (page) => page.replaceChildren(...compact(basisPage())),
};

const FIXED_PAGES = ["cautions"];
const built = new Set(FIXED_PAGES);

function compact(parts) {
  return parts.flat(Infinity).filter((part) => part !== null && part !== undefined);
}

function pageOf(name) {
  let page = byId(`page-${name}`);
  if (!page) {
    page = make("section", { id: `page-${name}`, class: "page" });
    byId("pages").append(page);
  }
  if (!built.has(name) && PAGES[name]) {
    built.add(name);
    PAGES[name](page);
  }
  return page;
}

// Builds a page anew where it is shown; where it is not, as soon as it is opened.
function refreshPage(name) {
  if (!built.delete(name)) return;
  if (!byId(`page-${name}`).hidden) pageOf(name);
}

// Says on the page, too, whose address it shows now.
function showPage(name) {
  const page = pageOf(name);
  /** @type {NodeListOf<HTMLElement>} */
  const pages = document.querySelectorAll(".page");
  for (const other of pages) other.hidden = other !== page;
  for (const link of byId("parts").children) {
    if (link.getAttribute("href") === `#page=${name in lists ? "runs" : name}`) link.setAttribute("aria-current", "page");
    else link.removeAttribute("aria-current");
  }
  byId("pages").scrollTop = 0;
  document.body.dataset.address = latestVisit.hash;
  return page;
}

function openPlace(kind, row) {
  const id = study[ID_COLUMNS[kind][0]].get(ID_COLUMNS[kind][1], row);
  goTo(placeHash(kind, id));
}

function goTo(hash) {
  if (window.location.hash === hash) followAddress();
  else window.location.hash = hash;
}

// How plan and list share the page: the list as wide as its columns, or the plan alone.
const sharing = {
  open() {
    for (const [id, style] of [["widen", "is-wide"], ["alone", "is-alone"]]) {
      byId(id).addEventListener("click", () => this.toggle(style));
    }
  },

  toggle(style) {
    const { classList } = byId("sheet");
    const isOn = !classList.contains(style);
    classList.remove("is-wide", "is-alone");
    classList.toggle(style, isOn);
    for (const [id, name] of [["widen", "is-wide"], ["alone", "is-alone"]]) {
      byId(id).setAttribute("aria-pressed", String(classList.contains(name)));
    }
  },
};

let latestVisit = { hash: "" };

/** @param {boolean} [takesFocus] false where the same place is only said anew */
async function followAddress(takesFocus = true) {
  const visit = { hash: window.location.hash };
  latestVisit = visit;
  const [kind, text] = splitHash(visit.hash);
  if (kind in CARDS) {
    const row = study.rows[kind].get(text);
    if (row === undefined) return showMissing(MISSING[kind](text));
    const [title, ...rest] = compact(await CARDS[kind](row));
    const parts = compact([title, deciding.badge(kind, row), rest, deciding.part(kind, row)]);
    if (visit !== latestVisit) return undefined;
    const page = showPage("card");
    page.replaceChildren(make("p", { class: "way-back" }, make("a", { href: "#page=runs" }, "\u2190 ", say("All runs"))), ...parts);
    plan.mark(kind, row);
    if (kind === "run") schedule.markLine(row);
    return takesFocus ? focusTitle(page) : undefined;
  }
  const name = pageNamed(kind, text);
  const page = showPage(name);
  plan.mark(null);
  return kind && takesFocus ? focusTitle(page) : undefined;
}

// The page of an address; that of an alert or a check is the list of what it is raised for.
function pageNamed(kind, text) {
  if (kind === "alert") return alerts.show(text);
  if (kind === "check" && narrowing.of("check").counts.has(text)) {
    narrowing.reset();
    narrowing.only("check", text);
    schedule.fold();
  }
  return kind === "page" && (text in PAGES || text === "cautions") ? text : "runs";
}

/** @type {Record<string, (id: string) => string>} */
const MISSING = {
  run: (id) => say("There is no run {id}", { id }),
  tree: (id) => say("There is no tree {id}", { id }),
  manhole: (id) => say("There is no manhole {id}", { id }),
  pit: (id) => say("There is no pit {id}", { id }),
  string: (id) => say("There is no string {id}", { id }),
  dig: (id) => say("There is no dig {id}", { id }),
};

function showMissing(words) {
  showPage("card").replaceChildren(make("h2", {}, words),
    make("p", {}, make("a", { href: "#page=runs" }, say("All runs"))));
  plan.mark(null);
}

function splitHash(hash) {
  const at = hash.indexOf("=");
  if (at < 0) return ["", ""];
  try {
    return [hash.slice(1, at), decodeURIComponent(hash.slice(at + 1))];
  } catch {
    return [hash.slice(1, at), hash.slice(at + 1)];
  }
}

function focusTitle(page) {
  const title = page.querySelector("h2");
  title.setAttribute("tabindex", "-1");
  title.focus({ preventScroll: true });
  if (isNarrow()) byId("parts").scrollIntoView();
}

// On a phone the plan stays at the top and the reading runs beneath it.
function isNarrow() {
  return window.matchMedia("(max-width: 860px)").matches;
}

async function openSheet() {
  if (!canUnpack()) {
    byId("opening").hidden = true;
    byId("too-old").hidden = false;
    return;
  }
  await openLanguages(sayAgain);
  await openStudy(await unpack("payload"));
  await gatherChecks();
  await breathe();
  byId("opening").hidden = true;
  byId("sheet-date").textContent = study.meta.date ? `\u00b7 ${study.meta.date}` : "";
  study.shownCount = study.runs.n;
  byId("key").open = !isNarrow();
  for (const part of [alerts, narrowing, plan, schedule, key, measuring, deciding, printing, finder, sharing]) {
    await part.open();
    await breathe();
  }
  window.addEventListener("hashchange", () => followAddress());
  byId("skip").addEventListener("click", () => goTo("#page=runs"));
  sayHead();
  pageOf("runs");
  await breathe();
  await followAddress();
  document.body.dataset.ready = "yes";
  await study.runs.readAll();
}

function sayHead() {
  document.title = say("{name}: sewer renewal and trees", { name: study.meta.name });
  sayOnline();
  const frame = sheet_map.getContainer();
  frame.setAttribute("aria-roledescription", say("plan"));
  frame.setAttribute("aria-label", say("Plan of the district. Arrow keys move it, plus and minus change the scale. Every run is also a button in the list of runs."));
}

// A plan whose background comes from the network says so, with the credit that its owner asks for.
function sayOnline() {
  const { tiles_host: host, tiles_credit: credit } = study.meta;
  byId("online").hidden = !host;
  if (host) byId("online").textContent = say("Background asked for from the network, at {host}. {credit}", { host, credit });
}

// All that the scripts have written, once more in another language; the reader stays where he was.
function sayAgain() {
  sayHead();
  for (const name of Object.keys(PAGES)) {
    if (!built.has(name)) continue;
    built.delete(name);
    pageOf(name);
  }
  key.build();
  byId("pointer").textContent = "";
  byId("finder-note").textContent = "";
  measuring.tell();
  plan.showScale();
  plan.redraw();
  const { scrollTop } = byId("pages");
  followAddress(false).then(() => { byId("pages").scrollTop = scrollTop; });
}

openSheet();
