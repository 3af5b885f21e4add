// Turns the packed data of the page back into tables and outlines.

const GRID_BITS = 32;
const ZOOM_OF_GRID = GRID_BITS - 8;

/** @param {string} elementId */
async function unpack(elementId) {
  const { content, columns, bytes, start } = await inflate(elementId);
  return bindContent(content, new Shelf(columns, bytes, start));
}

// The content with its columns and outlines, which are read when they are asked for.
function bindContent(content, shelf) {
  if (content === null || typeof content !== "object" || Array.isArray(content)) return content;
  if ("n" in content && "c" in content) {
    const rest = { ...content, c: {} };
    for (const [name, column] of Object.entries(content.c)) rest.c[name] = bindColumn(column, shelf);
    for (const name of Object.keys(rest)) if (name !== "c") rest[name] = bindContent(rest[name], shelf);
    return { ...rest, shelf };
  }
  if ("f" in content && "r" in content && "x" in content && "y" in content) return { ...content, shelf };
  return Object.fromEntries(Object.entries(content).map(([name, part]) => [name, bindContent(part, shelf)]));
}

function bindColumn(column, shelf) {
  const words = typeof column.w === "number" ? shelf.texts(column.w) : column.w && { get: (i) => column.w[i] };
  const known = column.m === undefined ? null : () => shelf.numbers(column.m);
  return { ...column, shelf, w: words, m: known };
}

// A table gives one value by column name and row; a column it lacks is null throughout.
class Table {
  constructor(packed) {
    this.n = packed.n;
    this.columns = packed.c;
    this.names = Object.keys(packed.c);
    /** @type {Map<string, (row: number) => any>} */
    this.readers = new Map();
  }

  get(name, row) {
    if (row === null || !(row >= 0 && row < this.n)) return null;
    const read = this.readers.get(name) || this.openColumn(name);
    return read(row);
  }

  openColumn(name) {
    const read = this.has(name) ? readerOf(this.columns[name]) : () => null;
    this.readers.set(name, read);
    return read;
  }

  // Reads all columns, so that no later question has to wait for them.
  async readAll() {
    for (const name of this.names) {
      this.get(name, 0);
      await breathe();
    }
  }

  has(name) {
    return name in this.columns;
  }

  words(name) {
    const seen = new Set();
    for (let row = 0; row < this.n; row += 1) seen.add(this.get(name, row));
    return [...seen];
  }

  // Rows by the position they point to, as a function from position to rows.
  groupBy(name, count) {
    const groups = new Map();
    for (let row = 0; row < this.n; row += 1) {
      const at = this.get(name, row);
      if (at === null || at < 0 || at >= count) continue;
      if (!groups.has(at)) groups.set(at, []);
      groups.get(at).push(row);
    }
    return (at) => groups.get(at) || [];
  }

  // First row of each id.
  rowsById(name) {
    const rows = new Map();
    for (let row = 0; row < this.n; row += 1) {
      const id = this.get(name, row);
      if (id !== null && !rows.has(String(id))) rows.set(String(id), row);
    }
    return rows;
  }
}

// A column as a function from the row to its value.
function readerOf({ k: kind, s: scale, at, e: power, w: words, m: mask, shelf }, place = at, powerPlace = power) {
  if (kind === "t") {
    const texts = shelf.texts(place);
    if (!mask) return (row) => texts.get(row);
    const has = mask();
    const placed = runningSum(has);
    return (row) => (has[row] ? texts.get(placed[row]) : null);
  }
  const numbers = shelf.numbers(place);
  if (kind === "d") return (row) => (numbers[row] >= 0 ? words.get(numbers[row]) : null);
  if (kind === "i") return (row) => (Number.isNaN(numbers[row]) ? null : numbers[row] / scale);
  const powers = shelf.numbers(powerPlace);
  return (row) => {
    if (Number.isNaN(numbers[row])) return null;
    return powers[row] < 0 ? numbers[row] / 10 ** -powers[row] : numbers[row] * 10 ** powers[row];
  };
}

const CLOSED = 1;
const FOUR_CORNERS = 2;

// Outlines: rings of feature i are ringStart[i] .. ringStart[i + 1], their vertices likewise.
class Outlines {
  constructor({ f, r, c: form, x, y, shelf }) {
    const rings = shelf.numbers(r);
    const features = shelf.numbers(f);
    this.n = features.length;
    this.ringStart = runningSum(features);
    this.vertexStart = runningSum(rings);
    const read = (places) => this.readAxis(places.map((place) => shelf.numbers(place)), rings, form);
    this.x = read(x);
    this.y = read(y);
    this.boxes = this.measureBoxes();
  }

  // `encoding.py` says how the vertices are written.
  readAxis([first, ...more], rings, form) {
    const values = new Float64Array(this.vertexStart[rings.length]);
    for (let ring = 0, leg = 0; ring < rings.length; ring += 1) {
      const [start, stop] = [this.vertexStart[ring], this.vertexStart[ring + 1]];
      values[start] = first[ring];
      if (form === FOUR_CORNERS) {
        values[start + 1] = values[start] + more[0][ring];
        values[start + 2] = values[start + 1] + more[1][ring];
        values[start + 3] = values[start + 2] - more[0][ring] + more[2][ring];
      } else {
        const last = form === CLOSED ? stop - 1 : stop;
        for (let v = start + 1; v < last; v += 1) {
          values[v] = values[v - 1] + more[0][leg];
          leg += 1;
        }
      }
      if (form) values[stop - 1] = values[start];
    }
    return values;
  }

  first(feature) {
    return this.vertexStart[this.ringStart[feature]];
  }

  last(feature) {
    return this.vertexStart[this.ringStart[feature + 1]];
  }

  isEmpty(feature) {
    return feature < 0 || this.first(feature) === this.last(feature);
  }

  measureBoxes() {
    const boxes = new Float64Array(4 * this.n);
    for (let i = 0; i < this.n; i += 1) {
      let [west, north, east, south] = [Infinity, Infinity, -Infinity, -Infinity];
      for (let v = this.first(i); v < this.last(i); v += 1) {
        west = Math.min(west, this.x[v]);
        east = Math.max(east, this.x[v]);
        north = Math.min(north, this.y[v]);
        south = Math.max(south, this.y[v]);
      }
      boxes.set([west, north, east, south], 4 * i);
    }
    return boxes;
  }

  box(feature) {
    return this.boxes.subarray(4 * feature, 4 * feature + 4);
  }
}

function runningSum(counts) {
  const sums = new Int32Array(counts.length + 1);
  for (let i = 0; i < counts.length; i += 1) sums[i + 1] = sums[i] + counts[i];
  return sums;
}

function gridToLatLng(x, y) {
  const size = 2 ** GRID_BITS;
  const lng = (x / size - 0.5) * 360;
  const lat = (Math.atan(Math.sinh(Math.PI * (1 - (2 * y) / size))) * 180) / Math.PI;
  return L.latLng(lat, lng);
}

function latLngToGrid(place) {
  const point = sheet_map.project(place, ZOOM_OF_GRID);
  return { x: point.x, y: point.y };
}
