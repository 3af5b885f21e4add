// Finds features near a place through a grid of square cells.

class PlaceIndex {
  // `boxOf(i)` gives [west, north, east, south] in grid cells, or null to leave i out.
  constructor(count, boxOf) {
    const boxes = Array.from({ length: count }, (_, i) => boxOf(i));
    this.boxes = boxes;
    const known = boxes.filter((box) => box && Number.isFinite(box[0]));
    const spans = known.map((box) => Math.max(box[2] - box[0], box[3] - box[1], 1));
    this.size = known.length ? spans.reduce((a, b) => a + b, 0) / known.length * 2 : 1;
    this.cells = new Map();
    boxes.forEach((box, i) => {
      if (box && Number.isFinite(box[0])) this.eachCell(box, (key) => this.put(key, i));
    });
  }

  put(key, i) {
    if (!this.cells.has(key)) this.cells.set(key, []);
    this.cells.get(key).push(i);
  }

  eachCell([west, north, east, south], visit) {
    for (let x = Math.floor(west / this.size); x <= Math.floor(east / this.size); x += 1) {
      for (let y = Math.floor(north / this.size); y <= Math.floor(south / this.size); y += 1) {
        visit(`${x}:${y}`);
      }
    }
  }

  // Nearest feature within `reach`, by `distance(i)`; -1 for none.
  nearest(x, y, reach, distance) {
    let best = -1;
    let least = reach;
    const seen = new Set();
    this.eachCell([x - reach, y - reach, x + reach, y + reach], (key) => {
      for (const i of this.cells.get(key) || []) {
        if (seen.has(i)) continue;
        seen.add(i);
        const away = distance(i);
        if (away <= least) {
          best = i;
          least = away;
        }
      }
    });
    return best;
  }
}

function distanceToLine(outlines, feature, x, y) {
  let least = Infinity;
  for (let r = outlines.ringStart[feature]; r < outlines.ringStart[feature + 1]; r += 1) {
    const stop = outlines.vertexStart[r + 1];
    for (let v = outlines.vertexStart[r]; v < stop; v += 1) {
      const w = Math.min(v + 1, stop - 1);
      const [ax, ay] = [outlines.x[v], outlines.y[v]];
      const [bx, by] = [outlines.x[w] - ax, outlines.y[w] - ay];
      const length = bx * bx + by * by;
      const t = length ? Math.max(0, Math.min(1, ((x - ax) * bx + (y - ay) * by) / length)) : 0;
      least = Math.min(least, Math.hypot(x - ax - t * bx, y - ay - t * by));
    }
  }
  return least;
}

function isInside(outlines, feature, x, y) {
  let inside = false;
  for (let r = outlines.ringStart[feature]; r < outlines.ringStart[feature + 1]; r += 1) {
    const [start, stop] = [outlines.vertexStart[r], outlines.vertexStart[r + 1]];
    for (let v = start, w = stop - 1; v < stop; w = v, v += 1) {
      const [xv, yv, xw, yw] = [outlines.x[v], outlines.y[v], outlines.x[w], outlines.y[w]];
      if (yv > y !== yw > y && x < ((xw - xv) * (y - yv)) / (yw - yv) + xv) inside = !inside;
    }
  }
  return inside;
}

// What lies under the pointer: { kind, row } or null. Small things win over large ones.
const picking = {
  open() {
    const boxes = (table) => new PlaceIndex(table.n, (i) => (
      table.outlines.isEmpty(i) ? null : table.outlines.box(i)));
    this.runs = boxes(study.runs);
    this.pits = boxes(study.pits);
    this.manholes = boxes(study.manholes);
    this.digs = boxes(study.digs);
    this.strings = boxes(study.strings);
    const trees = study.trees;
    this.trees = new PlaceIndex(trees.n, (i) => {
      if (trees.outlines.isEmpty(i)) return null;
      const [x, y] = trees.outlines.box(i);
      const r = Math.max(trees.crownRadius[i], study.cells);
      return [x - r, y - r, x + r, y + r];
    });
  },

  at(x, y, cellsPerPixel, isDrawn) {
    const near = (name, pixels) => {
      const lines = study[name].outlines;
      return this[name].nearest(x, y, pixels * cellsPerPixel, (i) => (
        isInside(lines, i, x, y) ? 0 : distanceToLine(lines, i, x, y)));
    };
    for (const [kind, name, pixels] of [["pit", "pits", 4], ["manhole", "manholes", 7],
      ["dig", "digs", 5], ["run", "runs", 9]]) {
      const row = isDrawn(name) ? near(name, pixels) : -1;
      if (row >= 0) return { kind, row };
    }
    const trees = study.trees;
    const tree = isDrawn("trees") ? this.trees.nearest(x, y, 12 * study.cells, (i) => {
      const away = Math.hypot(x - trees.outlines.box(i)[0], y - trees.outlines.box(i)[1]);
      return away <= Math.max(trees.crownRadius[i], 8 * cellsPerPixel) ? away : Infinity;
    }) : -1;
    return tree >= 0 ? { kind: "tree", row: tree } : null;
  },
};
