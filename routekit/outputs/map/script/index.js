// The index of a divided map: a small plan of the sheets, and which sheet a run is on.

const PLAN_WIDTH = 520;

function sheetPlan({ boxes, files }) {
  const west = Math.min(...boxes.map((box) => box[0]));
  const south = Math.min(...boxes.map((box) => box[1]));
  const east = Math.max(...boxes.map((box) => box[2]));
  const north = Math.max(...boxes.map((box) => box[3]));
  const scale = PLAN_WIDTH / Math.max(east - west, north - south, 1);
  const [width, height] = [(east - west) * scale, (north - south) * scale];
  const svg = makeSvg("svg", { class: "section", viewBox: `-2 -2 ${width + 4} ${height + 4}`, role: "group", "aria-label": say("Plan of the sheets") });
  boxes.forEach((box, i) => {
    const [x, y] = [(box[0] - west) * scale, (north - box[3]) * scale];
    const [w, h] = [(box[2] - box[0]) * scale, (box[3] - box[1]) * scale];
    svg.append(makeSvg("a", { href: files[i], "aria-label": say("Sheet {number}", { number: String(i + 1) }) },
      makeSvg("rect", { x, y, width: w, height: h, class: "leaf" }),
      makeSvg("text", { x: x + 7, y: y + 19 + (i % 3) * 18, class: "leaf-number" }, i + 1)));
  });
  return svg;
}

function showPlan(content) {
  byId("leaf-plan").replaceChildren(sheetPlan(content));
  document.title = say("{name}: sewer renewal and trees, sheets by area", { name: content.name });
  /** @type {NodeListOf<HTMLAnchorElement>} */
  const links = document.querySelectorAll(".leaves a[href]");
  for (const link of links) link.search = languageQuery(tongue.language);
}

function findRun(content, text) {
  const row = content.ids.findIndex((id) => id.toLowerCase() === text.toLowerCase());
  const note = byId("finder-note");
  if (row < 0) {
    note.textContent = text ? say("Nothing found for {text}.", { text }) : say("Enter a number first.");
    return;
  }
  const address = content.files[content.areas[row]] + languageQuery(tongue.language) + placeHash("run", content.ids[row]);
  note.replaceChildren(make("a", { href: address },
    say("Run {id} is on sheet {number}.", { id: content.ids[row], number: String(content.areas[row] + 1) })));
}

async function openIndex() {
  if (!canUnpack()) return;
  const { content } = await inflate("payload");
  await openLanguages(() => {
    showPlan(content);
    byId("finder-note").textContent = "";
  });
  showPlan(content);
  byId("finder").addEventListener("submit", (event) => {
    event.preventDefault();
    findRun(content, byId("finder-text").value.trim());
  });
  document.body.dataset.ready = "yes";
}

openIndex();
