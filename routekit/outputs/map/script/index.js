// The index of a divided map: a small plan of the sheets, and which sheet a run is on.

const PLAN_WIDTH = 520;

function sheetPlan({ boxes, files }) {
  const west = Math.min(...boxes.map((box) => box[0]));
  const south = Math.min(...boxes.map((box) => box[1]));
  const east = Math.max(...boxes.map((box) => box[2]));
  const north = Math.max(...boxes.map((box) => box[3]));
  const scale = PLAN_WIDTH / Math.max(east - west, north - south, 1);
  const [width, height] = [(east - west) * scale, (north - south) * scale];
  const svg = makeSvg("svg", { class: "section", viewBox: `-2 -2 ${width + 4} ${height + 4}`, role: "group", "aria-label": "Plan of the sheets" });
  boxes.forEach((box, i) => {
    const [x, y] = [(box[0] - west) * scale, (north - box[3]) * scale];
    const [w, h] = [(box[2] - box[0]) * scale, (box[3] - box[1]) * scale];
    svg.append(makeSvg("a", { href: files[i], "aria-label": `Sheet ${i + 1}` },
      makeSvg("rect", { x, y, width: w, height: h, class: "leaf" }),
      makeSvg("text", { x: x + 7, y: y + 19 + (i % 3) * 18, class: "leaf-number" }, i + 1)));
  });
  return svg;
}

async function openIndex() {
  if (!canUnpack()) return;
  const content = await unpack("payload");
  byId("leaf-plan").append(sheetPlan(content));
  byId("finder").addEventListener("submit", (event) => {
    event.preventDefault();
    const text = byId("finder-text").value.trim();
    const row = content.ids.findIndex((id) => id.toLowerCase() === text.toLowerCase());
    const note = byId("finder-note");
    if (row < 0) note.textContent = text ? `Nothing found for ${text}.` : "Enter a number first.";
    else {
      note.replaceChildren("Run ", make("a", { href: `${content.files[content.areas[row]]}${placeHash("run", content.ids[row])}` }, content.ids[row]),
        ` is on sheet ${content.areas[row] + 1}.`);
    }
  });
  document.body.dataset.ready = "yes";
}

openIndex();
