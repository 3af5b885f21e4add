// Prints the plan to scale on an A3 sheet, landscape, with a title block.

const PAPER_PLAN_MM = { width: 294, height: 270 };
const CSS_PIXELS_PER_MM = 96 / 25.4;
const PRINT_SCALES = [100, 200, 250, 500, 1000, 1250, 2500, 5000, 10000];

const printing = {
  /** @type {number | null} */
  scale: null,

  open() {
    this.scale = study.meta.print_scale;
    window.addEventListener("beforeprint", () => this.prepare());
    window.addEventListener("afterprint", () => this.restore());
  },

  page() {
    const scales = [...new Set([...PRINT_SCALES, study.meta.print_scale])].sort((a, b) => a - b);
    return [
      make("h2", {}, say("Print this sheet")),
      make("p", {}, say("A3, landscape, centred on the middle of the plan. Print at 100 %, not fitted to the page, to keep the scale; the scale bar is right in any case.")),
      make("p", {}, make("label", { for: "print-scale" }, say("Scale"), " "),
        make("select", { id: "print-scale", onchange: (event) => { this.scale = Number(event.target.value) || null; } },
          make("option", { value: "" }, say("fit the current view")),
          scales.map((n) => make("option", { value: n, selected: n === this.scale }, `1:${n}`)))),
      make("p", {}, make("button", { type: "button", id: "print-now", onclick: () => this.start() }, say("Print"))),
    ];
  },

  async start() {
    this.prepare();
    await twoFrames();
    window.print();
  },

  // Zoom at which a metre on the ground is 1/scale on paper.
  zoomFor(scale) {
    const pixelsPerM = (1000 / scale) * CSS_PIXELS_PER_MM;
    return Math.log2(pixelsPerM / study.cells) + ZOOM_OF_GRID;
  },

  prepare() {
    if (this.before) return;
    sheet_map.stop();
    const centre = sheet_map.getCenter();
    this.before = { centre, zoom: sheet_map.getZoom(), snap: sheet_map.options.zoomSnap, bounds: sheet_map.getBounds() };
    sheet_map.options.zoomSnap = 0;
    document.body.classList.add("is-printing");
    plan.canvas.density = 3;
    plan.canvas.isAtOnce = true;
    plan.freeZoom();
    plan.canvas.options.padding = 0;
    const frame = sheet_map.getContainer();
    frame.style.width = `${PAPER_PLAN_MM.width}mm`;
    frame.style.height = `${PAPER_PLAN_MM.height}mm`;
    sheet_map.invalidateSize({ animate: false, pan: false });
    const zoom = this.scale ? this.zoomFor(this.scale) : sheet_map.getBoundsZoom(this.before.bounds);
    sheet_map.setView(centre, zoom, { animate: false });
    plan.showScale();
    byId("block").replaceChildren(...titleBlock());
    byId("cautions-sheet").replaceChildren(...cautionsSheet());
  },

  restore() {
    if (!this.before) return;
    document.body.classList.remove("is-printing");
    const frame = sheet_map.getContainer();
    frame.style.width = "";
    frame.style.height = "";
    plan.canvas.density = null;
    plan.canvas.options.padding = 0.3;
    sheet_map.options.zoomSnap = this.before.snap;
    sheet_map.invalidateSize({ animate: false, pan: false });
    sheet_map.setView(this.before.centre, this.before.zoom, { animate: false });
    plan.canvas.isAtOnce = false;
    plan.limitZoom();
    plan.showScale();
    this.before = null;
  },

  // Scale of the plan as it now stands, from its zoom.
  presentScale() {
    const pixelsPerM = study.cells * 2 ** (sheet_map.getZoom() - ZOOM_OF_GRID);
    return (1000 * CSS_PIXELS_PER_MM) / pixelsPerM;
  },
};

function twoFrames() {
  return new Promise((done) => { requestAnimationFrame(() => requestAnimationFrame(done)); });
}

function titleBlock() {
  const [name, set, wordsOf] = key.kinds();
  const { counts } = narrowing.of(name);
  const strokes = Object.entries(study.palette[set]).filter(([value]) => counts.has(value));
  const rounded = Math.round(printing.presentScale());
  return [
    make("h2", {}, study.meta.name),
    make("p", {}, say("Sewer renewal among trees, run by run")),
    factList([[say("Scale"), say("1:{scale} on A3", { scale: String(rounded) })], [say("Date"), study.meta.date || say("not given")],
      [say("Coordinates"), study.meta.crs], [say("Shown"), shownWords()]]),
    make("h3", {}, drawing.view === "harm" ? say("Severity of open cut") : say("Recommended")),
    make("ul", { class: "signs" }, strokes.map(([value, stroke]) => make("li", {}, strokeSample(stroke), `${wordsOf(value)} (${number(counts.get(value))})`))),
    make("ul", { class: "signs" }, signs().filter(([of]) => study[of].n).map(([, draw, words]) => (
      make("li", {}, makeSvg("svg", { class: "sample", viewBox: "0 0 30 18", width: 30, height: 18 }, draw()), words)))),
    make("h3", {}, say("Cautions")),
    make("p", {}, make("strong", {}, say("Screening only.")), " ", say("Engineers and arborists decide; locate services before you dig.")),
    make("p", {}, say("All cautions are on the second page.")),
  ];
}

// The second page: the cautions at a size that can be read.
function cautionsSheet() {
  return [
    make("h2", {}, say("Cautions")),
    make("p", {}, study.meta.name),
    make("ul", { class: "block-cautions" }, study.meta.cautions.map((text) => make("li", {}, tell(text)))),
  ];
}
