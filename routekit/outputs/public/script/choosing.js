// What can be chosen, the card that tells of it, and the list of streets.

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
      const [topic, key, values] = page.run_words[study.runs.table.get("kind", row)];
      const m = study.runs.table.get("metres", row);
      const inner = values.works ? { works: [values.works[0], values.works[1], { ...values.works[2], m }] } : {};
      return [[topic, key, { ...values, ...inner, m }]];
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
  hole: {
    count: () => study.digs.table.n,
    id: (row) => study.digs.table.get("dig_id", row),
    title: (row) => ui("hole", KINDS.hole.id(row)),
    street: (row) => study.digs.table.get("street", row),
    said: (row) => page.digs.said[study.digs.table.get("kind", row)],
    box: (row) => study.digs.shape.box(row),
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
  const match = /^#(street|run|tree|pit|hole)=(.*)$/s.exec(location.hash);
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

// The common name of the genus, where it is known, before the Latin name.
function nameTree(element, row) {
  const species = study.trees.table.get("species", row);
  const genus = study.trees.table.get("genus", row);
  const names = page.genera[document.documentElement.lang];
  if (genus) element.append(make("span", { "data-genus": genus }, names[genus]), " ");
  if (species) element.append(make("bdi", { class: "species" }, species));
}

function showCard(takesFocus) {
  const { kind, row } = chosen;
  if (kind === "street") return;
  const part = KINDS[kind];
  byId("card-title").textContent = part.title(row);
  const body = byId("card-body");
  body.replaceChildren();
  if (kind === "tree") {
    const name = make("p", { class: "name" });
    nameTree(name, row);
    if (name.childElementCount) body.append(name);
  }
  for (const one of part.said(row)) body.append(make("p", { dir: "auto" }, say(one)));
  const street = part.street(row);
  if (street !== undefined) {
    const button = make("button", { type: "button", class: "to-street", dir: "auto" }, streetTitle(street));
    button.addEventListener("click", () => choose("street", street));
    body.append(button);
  }
  const title = street === undefined ? part.title(row) : `${part.title(row)} (${streetTitle(street)})`;
  body.append(askBox(kind, part.id(row), title));
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

function narrowList() {
  const wanted = plain(byId("find").value.trim());
  const names = page.streets.label.map((_, street) => plain(streetTitle(street)));
  const all = names.map((_, street) => street);
  const found = all.filter((street) => names[street].includes(wanted));
  const like = found.length ? [] : findSimilar(wanted, names);
  const listed = [found, like, all].find((some) => some.length) ?? [];
  for (const street of all) byId(`s${street}`).hidden = true;
  for (const street of listed) byId(`s${street}`).hidden = false;
  const heard = byId("find-count");
  if (found.length || !wanted) heard.textContent = say(["ui", "find_count", { n: found.length }]);
  else heard.textContent = words.ui[like.length ? "find_similar" : "find_nothing"];
  listHits(wanted ? [...found, ...like].slice(0, MOST_HITS) : []);
}

// Enter opens the first street of those that are offered.
function openFirst(event) {
  if (event.key !== "Enter") return;
  event.preventDefault();
  /** @type {HTMLElement | null} */
  const first = document.querySelector("#hits button");
  if (first) first.click();
}

// The streets found, beside the search: the list itself is farther down on a phone.
function listHits(streets) {
  const hits = byId("hits");
  hits.replaceChildren();
  for (const street of streets) {
    const item = make("li");
    const button = make("button", { type: "button", class: "to-street", dir: "auto" }, streetTitle(street));
    button.addEventListener("click", () => choose("street", street));
    item.append(button);
    hits.append(item);
  }
  hits.hidden = !streets.length;
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
  const print = make("button", { type: "button", class: "print", "data-ui": "print_street" }, words.ui.print_street);
  print.addEventListener("click", () => printStreet(street));
  const address = `#street=${encodeURIComponent(KINDS.street.id(street))}`;
  const link = make("a", { class: "link", href: address, "data-ui": "link_street" }, words.ui.link_street);
  const tools = make("div", { class: "tools" });
  tools.append(show, print, link);
  folded.querySelector(".short").after(tools);
  const chips = make("ul", { class: "chips" });
  for (const row of study.treesOfStreet.get(street) || []) {
    const item = make("li");
    const button = make("button", { type: "button" });
    button.append(make("bdi", {}, study.trees.table.get("tree_id", row)));
    nameTree(button, row);
    if (study.trees.table.get("protected", row)) {
      button.append(make("span", { "data-ui": "protected", class: "is-protected" }, words.ui.protected));
    }
    button.addEventListener("click", () => choose("tree", row));
    item.append(button);
    chips.append(item);
  }
  if (!chips.childElementCount) return;
  const count = chips.childElementCount;
  const fold = make("details", { class: "trees-here" });
  fold.open = count <= page.fold_over;
  const title = make("summary");
  title.append(make("span", { "data-ui": "trees_here" }, words.ui.trees_here), ` (${count})`);
  fold.append(title, chips);
  const marked = folded.querySelector(".marked");
  if (marked) marked.hidden = true;
  folded.querySelector('.topic [data-topic="trees"]').closest("details").append(fold);
}
