// Turns the packed data of the page back into tables and outlines.

const GRID_BITS = 32;
const ZOOM_OF_GRID = GRID_BITS - 8;

function canUnpack() {
  return typeof DecompressionStream === "function" && typeof Response === "function";
}

// Signs of the packed text that are worked on at a time: whole groups of four, 24 KB of what is packed.
const PIECE_SIGNS = 32768;

// Decoded, inflated and read one piece after the other: none keeps the reader waiting.
async function unpack(elementId) {
  const signs = byId(elementId).textContent.trim();
  const texts = bytesInPieces(signs).pipeThrough(new DecompressionStream("gzip")).pipeThrough(new TextDecoderStream());
  const content = {};
  for await (const line of linesOf(texts)) {
    const entry = line.endsWith(",") ? line.slice(0, -1) : line;
    if (entry !== "{" && entry !== "}") Object.assign(content, JSON.parse(`{${entry}}`));
    await breathe();
  }
  return content;
}

function bytesInPieces(signs) {
  let at = 0;
  return new ReadableStream({
    async pull(feed) {
      await breathe();
      if (at >= signs.length) {
        feed.close();
        return;
      }
      feed.enqueue(bytesOf(atob(signs.slice(at, at + PIECE_SIGNS))));
      at += PIECE_SIGNS;
    },
  });
}

function bytesOf(signs) {
  const bytes = new Uint8Array(signs.length);
  for (let i = 0; i < signs.length; i += 1) bytes[i] = signs.charCodeAt(i);
  return bytes;
}

// Each entry of what is packed stands on a line of its own.
async function* linesOf(texts) {
  const reader = texts.getReader();
  let begun = "";
  for (let piece = await reader.read(); !piece.done; piece = await reader.read()) {
    const lines = piece.value.split("\n");
    lines[0] = begun + lines[0];
    begun = lines.pop();
    yield* lines;
  }
  yield begun;
}

const WORK_MS = 12;
let restedAt = 0;

// Lets the browser answer its reader once work has gone on for a while.
async function breathe() {
  if (performance.now() - restedAt < WORK_MS) return;
  await new Promise((resolve) => { setTimeout(resolve); });
  restedAt = performance.now();
}

// A table gives one value by column name and row; a column it lacks is null throughout.
class Table {
  constructor(packed) {
    this.n = packed.n;
    this.columns = packed.c;
    this.names = Object.keys(packed.c);
  }

  get(name, row) {
    const column = this.columns[name];
    if (!column || row < 0 || row >= this.n) return null;
    const value = column.v[row];
    if (value === null) return null;
    if (column.k === "d") return value < 0 ? null : column.w[value];
    return column.k === "i" ? value / column.s : value;
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

// Outlines: rings of feature i are ringStart[i] .. ringStart[i + 1], their vertices likewise.
class Outlines {
  constructor(packed) {
    this.n = packed.f.length;
    this.ringStart = runningSum(packed.f);
    this.vertexStart = runningSum(packed.r);
    const count = packed.xy.length / 2;
    this.x = new Float64Array(count);
    this.y = new Float64Array(count);
    let x = 0;
    let y = 0;
    for (let i = 0; i < count; i += 1) {
      x += packed.xy[2 * i];
      y += packed.xy[2 * i + 1];
      this.x[i] = x;
      this.y[i] = y;
    }
    this.boxes = this.measureBoxes();
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
