// Finds features near a place through a grid of square cells.

class PlaceIndex {
  west = 0;
  north = 0;
  east = 0;
  south = 0;
  size = 1;
  columns = 0;
  rows = 0;

  // `boxOf(i)` gives [west, north, east, south] in grid units, or null to leave i out.
  constructor(count, boxOf) {
    const boxes = [];
    for (let i = 0; i < count; i += 1) {
      const box = boxOf(i);
      if (box && Number.isFinite(box[0])) boxes.push([i, box]);
    }
    this.layOut(boxes);
    const counts = new Int32Array(this.columns * this.rows);
    for (const [, box] of boxes) this.eachCell(box, (cell) => { counts[cell] += 1; });
    this.start = runningSum(counts);
    this.members = new Int32Array(this.start[counts.length]);
    const next = this.start.slice(0, -1);
    for (const [i, box] of boxes) {
      this.eachCell(box, (cell) => {
        this.members[next[cell]] = i;
        next[cell] += 1;
      });
    }
  }

  // Cells about as large as a feature, and never many more cells than features.
  layOut(boxes) {
    [this.west, this.north, this.east, this.south] = [Infinity, Infinity, -Infinity, -Infinity];
    let spans = 0;
    for (const [, [west, north, east, south]] of boxes) {
      this.west = Math.min(this.west, west);
      this.north = Math.min(this.north, north);
      this.east = Math.max(this.east, east);
      this.south = Math.max(this.south, south);
      spans += Math.max(east - west, south - north);
    }
    const count = Math.max(boxes.length, 1);
    const area = boxes.length ? (this.east - this.west) * (this.south - this.north) : 0;
    this.size = Math.max(spans / count, Math.sqrt(area / (4 * count)), 1);
    this.columns = boxes.length ? Math.floor((this.east - this.west) / this.size) + 1 : 0;
    this.rows = boxes.length ? Math.floor((this.south - this.north) / this.size) + 1 : 0;
  }

  eachCell([west, north, east, south], visit) {
    const column = (x) => Math.floor((x - this.west) / this.size);
    const row = (y) => Math.floor((y - this.north) / this.size);
    const [lastColumn, lastRow] = [Math.min(column(east), this.columns - 1), Math.min(row(south), this.rows - 1)];
    for (let y = Math.max(row(north), 0); y <= lastRow; y += 1) {
      for (let x = Math.max(column(west), 0); x <= lastColumn; x += 1) visit(y * this.columns + x);
    }
  }

  // Nearest feature within `reach`, by `distance(i)`; -1 for none.
  nearest(x, y, reach, distance) {
    let best = -1;
    let least = reach;
    this.eachCell([x - reach, y - reach, x + reach, y + reach], (cell) => {
      for (let k = this.start[cell]; k < this.start[cell + 1]; k += 1) {
        const away = distance(this.members[k]);
        if (away < least || (away === least && best < 0)) {
          best = this.members[k];
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
  isOpen: false,

  // Built at the first pointer movement, so that a reader of the list never waits for it.
  open() {
    this.isOpen = true;
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
    if (!this.isOpen) this.open();
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
