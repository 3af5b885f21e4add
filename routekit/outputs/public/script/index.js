// The index of a divided study: which page each street stands on.

const MOST_STREETS = 12;
let streets = [];

function readStreets() {
  /** @type {NodeListOf<HTMLAnchorElement>} */
  const links = document.querySelectorAll("#streets a");
  streets = [...links].map((link) => ({ link, words: plain(link.textContent) }));
}

function nameSquares() {
  for (const street of streets) {
    const { square } = street.link.dataset;
    if (square === undefined) continue;
    street.link.textContent = ui("area", square);
    street.words = plain(street.link.textContent);
  }
}

function choose(code) {
  speak(code);
  nameSquares();
  carryLanguage(streets.map((street) => street.link), code);
  narrowList();
}

// Names that begin with what was typed come first.
function narrowList() {
  const wanted = plain(byId("find").value.trim());
  const found = streets.filter((street) => street.words.includes(wanted));
  const first = found.filter((street) => street.words.startsWith(wanted));
  const others = found.filter((street) => !street.words.startsWith(wanted));
  byId("find-count").textContent = say(["ui", "find_count", { n: found.length }]);
  if (found.length || !wanted) {
    listHits(wanted ? [...first, ...others].slice(0, MOST_STREETS) : []);
    return;
  }
  const like = findSimilar(wanted, streets.map((street) => street.words));
  byId("find-count").textContent = words.ui[like.length ? "find_similar" : "find_nothing"];
  listHits(like.slice(0, MOST_STREETS).map((at) => streets[at]));
}

function listHits(found) {
  const hits = byId("hits");
  hits.replaceChildren();
  for (const { link } of found) {
    const item = make("li");
    item.append(make("a", { href: link.href, class: "to-street", dir: "auto" }, link.textContent));
    hits.append(item);
  }
  hits.hidden = !found.length;
}

function readHash(hash) {
  try {
    return decodeURIComponent(hash);
  } catch {
    return hash;
  }
}

// A link to a street that was made while one page held them all still leads there.
function followHash() {
  byId("heard").textContent = "";
  const match = /^#(street|run|tree|pit|hole)=(.*)$/s.exec(readHash(location.hash));
  if (!match) return;
  const street = streets.find(({ link }) => readHash(link.hash) === match[0]);
  if (street) location.replace(street.link.href);
  else byId("heard").textContent = ui("not_found", match[2]);
}

async function start() {
  if (!canUnpack()) {
    byId("old-browser").hidden = false;
    return;
  }
  page = (await inflate("payload")).content;
  words = page.languages[page.first];
  readStreets();
  /** @type {NodeListOf<HTMLElement>} */
  const asleep = document.querySelectorAll(".needs-script");
  for (const element of asleep) element.hidden = false;
  const code = askedLanguage();
  byId("language").value = code;
  if (code === page.first) narrowList();
  else choose(code);
  byId("language").addEventListener("change", (event) => choose(event.target.value));
  byId("find").addEventListener("input", narrowList);
  byId("find").addEventListener("keydown", (event) => {
    if (event.key === "Enter") /** @type {HTMLElement | null} */ (document.querySelector("#hits a"))?.click();
  });
  window.addEventListener("hashchange", followHash);
  followHash();
  document.documentElement.dataset.ready = "yes";
}

start();
