// The plan: the Leaflet map with its canvas, pointer, scale bar and what it is centred on.

const M_PER_PIXEL = 0.05;
const FARTHEST_ZOOM = 3;

const plan = {
  open() {
    for (const layer of DRAWN) drawing.isOn[layer.name] = layer.on;
    this.canvas = new SheetCanvas();
    this.showWhole();
    this.limitZoom();
    this.canvas.addTo(sheet_map);
    sheet_map.on("click", (event) => this.pick(event));
    sheet_map.on("mousemove", (event) => this.point(event));
    sheet_map.on("mouseout", () => { byId("pointer").textContent = ""; });
    sheet_map.on("moveend zoomend resize", () => this.showScale());
    byId("zoom-in").addEventListener("click", () => sheet_map.zoomIn());
    byId("zoom-out").addEventListener("click", () => sheet_map.zoomOut());
    byId("whole").addEventListener("click", () => this.showWhole());
    new ResizeObserver(() => {
      sheet_map.invalidateSize({ animate: false });
      if (!printing.before) this.limitZoom();
    })
      .observe(sheet_map.getContainer());
    this.showScale();
  },

  // Several changes of one moment are drawn once.
  redraw() {
    if (this.isStale) return;
    this.isStale = true;
    queueMicrotask(() => {
      this.isStale = false;
      if (this.canvas) this.canvas.redraw();
    });
  },

  wholeBounds() {
    for (const name of ["runs", "trees", "manholes"]) {
      const box = boxOfAll(study[name].outlines);
      if (box) return boundsOf(box);
    }
    return null;
  },

  showWhole() {
    const bounds = this.wholeBounds();
    if (bounds) sheet_map.fitBounds(bounds, { padding: [28, 28], maxZoom: 20, animate: false });
  },

  // Out to twice the district, in to 0.05 m a pixel; a printed sheet has a scale of its own.
  limitZoom() {
    const bounds = this.wholeBounds();
    if (!bounds) return;
    const closest = ZOOM_OF_GRID + Math.log2(1 / (M_PER_PIXEL * study.cells));
    const whole = Math.min(sheet_map.getBoundsZoom(bounds), closest);
    sheet_map.setMinZoom(Math.max(FARTHEST_ZOOM, whole - 1));
    sheet_map.setMaxZoom(closest);
  },

  freeZoom() {
    sheet_map.setMinZoom(FARTHEST_ZOOM);
    sheet_map.setMaxZoom(ZOOM_OF_GRID);
  },

  // Brings the runs that are shown into view.
  showShown() {
    let bounds = null;
    for (let run = 0; run < study.runs.n; run += 1) {
      if (!study.isShown[run] || study.runs.outlines.isEmpty(run)) continue;
      const box = boundsOf(study.runs.outlines.box(run));
      bounds = bounds ? bounds.extend(box) : L.latLngBounds(box);
    }
    if (bounds) sheet_map.fitBounds(bounds, { padding: [40, 40], maxZoom: 19, animate: false });
  },

  pick(event) {
    const place = latLngToGrid(event.latlng);
    if (deciding.tree !== null) {
      deciding.addCorner(place);
      return;
    }
    if (measuring.isOn) {
      measuring.add(place);
      return;
    }
    const found = this.under(place);
    if (found) openPlace(found.kind, found.row);
  },

  under(place) {
    const perPixel = 1 / 2 ** (sheet_map.getZoom() - ZOOM_OF_GRID);
    const isDrawn = (name) => drawing.isOn[name === "trees" ? "crowns" : name];
    return picking.at(place.x, place.y, perPixel, isDrawn);
  },

  point(event) {
    const found = measuring.isOn || deciding.tree !== null ? null : this.under(latLngToGrid(event.latlng));
    byId("pointer").textContent = found ? shortName(found.kind, found.row) : "";
    sheet_map.getContainer().classList.toggle("can-pick", Boolean(found));
  },

  // Marks a feature; moves there only if it lies out of sight or too small to see.
  mark(kind, row) {
    drawing.marked = kind === null ? null : { kind, row };
    if (kind !== null) this.bringIntoSight(study[ID_COLUMNS[kind][0]].outlines, row);
    this.redraw();
  },

  bringIntoSight(outlines, row) {
    if (outlines.isEmpty(row)) return;
    const bounds = boundsOf(outlines.box(row));
    const isSmall = sheet_map.getZoom() < 18;
    if (!isSmall && sheet_map.getBounds().pad(-0.05).contains(bounds)) return;
    sheet_map.fitBounds(bounds, { padding: [60, 60], maxZoom: Math.max(19, sheet_map.getZoom()),
      animate: false });
  },

  showScale() {
    const mid = sheet_map.getSize().divideBy(2);
    const perPixel = sheet_map.distance(sheet_map.containerPointToLatLng(mid),
      sheet_map.containerPointToLatLng(mid.add([1, 0])));
    const widest = 120 * groundShare() * perPixel;
    const metres = roundBelow(widest);
    byId("scale").style.width = `${metres / (groundShare() * perPixel)}px`;
    byId("scale-text").textContent = metres >= 1000 ? `${number(metres / 1000)} km` : `${number(metres)} m`;
  },
};

// The largest of 1, 2, 5, 10, 20, 50 and so on that is not more.
function roundBelow(most) {
  const power = 10 ** Math.floor(Math.log10(most));
  return [5, 2, 1].map((n) => n * power).find((n) => n <= most) || power;
}

// Leaflet's sphere against the study's own metres: how long a sphere metre is on the ground.
function groundShare() {
  const centre = sheet_map.getCenter();
  const east = sheet_map.unproject(sheet_map.project(centre, ZOOM_OF_GRID).add([1000, 0]), ZOOM_OF_GRID);
  return 1000 / study.cellsEast / sheet_map.distance(centre, east);
}

/** @returns {[number, number, number, number] | null} */
function boxOfAll(outlines) {
  let [west, north, east, south] = [Infinity, Infinity, -Infinity, -Infinity];
  for (let i = 0; i < outlines.n; i += 1) {
    if (outlines.isEmpty(i)) continue;
    const box = outlines.box(i);
    west = Math.min(west, box[0]);
    north = Math.min(north, box[1]);
    east = Math.max(east, box[2]);
    south = Math.max(south, box[3]);
  }
  return west < Infinity ? [west, north, east, south] : null;
}

/** @param {number[]} box */
function boundsOf([west, north, east, south]) {
  return L.latLngBounds(gridToLatLng(west, south), gridToLatLng(east, north));
}

/** @type {Record<string, (id: string) => string>} */
const TITLES = {
  run: (id) => say("Run {id}", { id }),
  tree: (id) => say("Tree {id}", { id }),
  manhole: (id) => say("Manhole {id}", { id }),
  pit: (id) => say("Pit {id}", { id }),
  string: (id) => say("String {id}", { id }),
  dig: (id) => say("Dig {id}", { id }),
};

function shortName(kind, row) {
  const id = study[ID_COLUMNS[kind][0]].get(ID_COLUMNS[kind][1], row);
  if (kind === "run") return say("Run {id}: {technique}", { id: named(id), technique: techniqueName(study.runs.get("technique", row)) });
  if (kind === "tree") return say("Tree {id}: {species}", { id: named(id), species: named(study.trees.get("species", row)) });
  return TITLES[kind](named(id));
}
