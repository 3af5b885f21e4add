// Reads columns of numbers and texts back, each when it is asked for. `shelves.py` writes them, and
// says how they lie in the bytes.

const STEPS = 1;
const BITS = 2;
const SUM = 4;
const GROUPED = 1;
const POINT = 16;

class Shelf {
  /** @param {any[]} columns @param {Uint8Array} bytes @param {number} start */
  constructor(columns, bytes, start) {
    this.columns = columns;
    this.bytes = bytes;
    /** @type {Map<number | string, any>} */
    this.read = new Map();
    this.starts = new Float64Array(columns.length);
    let at = start;
    for (let place = 0; place < columns.length; place += 1) {
      this.starts[place] = at;
      at += this.measure(columns[place]);
    }
  }

  measure(column) {
    if (!Array.isArray(column)) return column.b || 0;
    const [rows, width, how = 0, , , , , mask = 0, known = 0] = column;
    const count = mask ? known : rows;
    return how & BITS ? Math.ceil(count / 8) : count * width;
  }

  // Values of a column; NaN where one is not known.
  /** @param {number} place @returns {Float64Array} */
  numbers(place) {
    if (!this.read.has(place)) {
      const column = this.columns[place];
      this.read.set(place, Array.isArray(column) ? this.readNumbers(column, place) : this.derive(column));
    }
    return this.read.get(place);
  }

  // Rows of a pattern, or numbers of another table in the rows that a column gives.
  derive({ is, k: code, of, by }) {
    if (is !== undefined) return this.numbers(is).map((one) => (one === code ? 1 : 0));
    const values = this.numbers(of);
    return this.numbers(by).map((row) => values[row] ?? NaN);
  }

  /** @param {any} column @param {number} place */
  readNumbers(column, place) {
    const [rows, width, how = 0, base = 0, step = 0, order = 0, look = 0, mask = 0] = column;
    const known = mask ? rowsOfOnes(this.numbers(mask - 1)) : null;
    const written = this.unlay(this.starts[place], known ? known.length : rows, width, how);
    if (how & SUM) this.addSum(written, order, known);
    const listed = look ? this.numbers(look - 1) : null;
    const values = new Float64Array(rows);
    if (known) values.fill(NaN);
    const value = (i) => (listed ? listed[written[i]] : base + step * written[i]);
    if (order && !(how & SUM)) {
      const isKnown = known ? this.numbers(mask - 1) : null;
      let i = 0;
      for (const row of this.sorted(order - 1)) {
        if (isKnown && isKnown[row] !== 1) continue;
        values[row] = value(i);
        i += 1;
      }
    } else {
      for (let i = 0; i < written.length; i += 1) values[known ? known[i] : i] = value(i);
    }
    return values;
  }

  unlay(start, count, width, how) {
    const numbers = new Float64Array(count);
    const { bytes } = this;
    if (how & BITS) {
      for (let i = 0; i < count; i += 1) numbers[i] = (bytes[start + (i >> 3)] >> (7 - (i & 7))) & 1;
      return numbers;
    }
    for (let plane = 0, weight = 1; plane < width; plane += 1, weight *= 256) {
      const at = start + plane * count;
      for (let i = 0; i < count; i += 1) numbers[i] += weight * bytes[at + i];
    }
    if (how & (STEPS | SUM)) {
      for (let i = 0; i < count; i += 1) numbers[i] = numbers[i] % 2 ? -(numbers[i] + 1) / 2 : numbers[i] / 2;
    }
    if (how & STEPS) for (let i = 1; i < count; i += 1) numbers[i] += numbers[i - 1];
    return numbers;
  }

  // Adds to numbers the sum over other columns, step by step as it was when they were written.
  addSum(numbers, order, known) {
    const [first, ...parts] = order;
    const sums = new Float64Array(numbers.length).fill(first);
    for (let part = 0; part < parts.length; part += 2) {
      const [values, weight] = [this.numbers(parts[part]), parts[part + 1]];
      for (let i = 0; i < sums.length; i += 1) {
        const value = values[known ? known[i] : i];
        if (!Number.isNaN(value)) sums[i] += weight * value;
      }
    }
    for (let i = 0; i < sums.length; i += 1) numbers[i] += Math.floor(sums[i] + 0.5);
  }

  // Rows by the values of a column, least first, not known before all.
  sorted(place) {
    const key = `by ${place}`;
    if (!this.read.has(key)) this.read.set(key, sortRows(this.numbers(place)));
    return this.read.get(key);
  }

  /** @param {number} place @returns {Texts} */
  texts(place) {
    if (!this.read.has(place)) this.read.set(place, new Texts(this, this.columns[place]));
    return this.read.get(place);
  }

  text(place) {
    const start = this.starts[place];
    return new TextDecoder().decode(this.bytes.subarray(start, start + this.columns[place].b));
  }
}

// Texts, each put together when it is asked for.
class Texts {
  /** @param {Shelf} shelf @param {any} column */
  constructor(shelf, { n, p: blob, k: kind, s: slots, o: own }) {
    this.length = n;
    this.patterns = JSON.parse(shelf.text(blob));
    this.kind = shelf.numbers(kind);
    const read = ([values, forms]) => [shelf.numbers(values), shelf.numbers(forms)];
    this.slots = slots.map(read);
    this.own = new Map(Object.entries(own).map(([code, mine]) => [Number(code), mine.map(read)]));
    this.placed = this.findPlaces();
  }

  // Place of each text among those of its pattern, and where each pattern begins in each slot.
  findPlaces() {
    const counts = new Float64Array(this.patterns.length);
    const within = new Float64Array(this.length);
    for (let i = 0; i < this.length; i += 1) {
      within[i] = counts[this.kind[i]];
      counts[this.kind[i]] += 1;
    }
    const begins = this.slots.map((_, slot) => {
      let sum = 0;
      return this.patterns.map((pieces, kind) => {
        const begin = sum;
        if (pieces.length - 1 > slot && !this.own.has(kind)) sum += counts[kind];
        return begin;
      });
    });
    return { within, begins };
  }

  /** @param {number} i @returns {string} */
  get(i) {
    const kind = this.kind[i];
    const pieces = this.patterns[kind];
    const { within, begins } = this.placed;
    const own = this.own.get(kind);
    let text = pieces[0];
    for (let slot = 0; slot < pieces.length - 1; slot += 1) {
      const at = own ? i : begins[slot][kind] + within[i];
      const [values, forms] = own ? own[slot] : this.slots[slot];
      text += writeForm(values[at], forms[at]) + pieces[slot + 1];
    }
    return text;
  }
}

function writeForm(value, form) {
  if (form === GROUPED) return String(value).replace(/(?<=\d)(?=(?:\d{3})+$)/g, ",");
  if (form < POINT) return String(value).padStart(form, "0");
  const digits = String(value).padStart(form - POINT + 1, "0");
  const whole = digits.length - form + POINT;
  return `${digits.slice(0, whole)}.${digits.slice(whole)}`;
}

function countOnes(numbers) {
  let count = 0;
  for (let i = 0; i < numbers.length; i += 1) count += numbers[i];
  return count;
}

function rowsOfOnes(numbers) {
  const rows = new Uint32Array(countOnes(numbers));
  for (let i = 0, at = 0; i < numbers.length; i += 1) {
    if (numbers[i] !== 1) continue;
    rows[at] = i;
    at += 1;
  }
  return rows;
}

// Rows by their values, equal ones as they stand: by the lowest bits first, DIGIT_BITS at a time.
const DIGIT_BITS = 11;

function sortRows(values) {
  let [least, most] = [Infinity, -Infinity];
  for (let i = 0; i < values.length; i += 1) {
    if (values[i] < least) least = values[i];
    if (values[i] > most) most = values[i];
  }
  const keys = new Uint32Array(values.length);
  let rows = new Uint32Array(values.length);
  for (let i = 0; i < values.length; i += 1) {
    keys[i] = Number.isNaN(values[i]) ? 0 : values[i] - least + 1;
    rows[i] = i;
  }
  for (let shift = 0; shift < 32 && (most - least + 1) / 2 ** shift >= 1; shift += DIGIT_BITS) {
    rows = sortByDigit(rows, keys, shift);
  }
  return rows;
}

function sortByDigit(rows, keys, shift) {
  const mask = 2 ** DIGIT_BITS - 1;
  const starts = new Uint32Array(2 ** DIGIT_BITS + 1);
  for (let i = 0; i < keys.length; i += 1) starts[((keys[i] >>> shift) & mask) + 1] += 1;
  for (let i = 1; i < starts.length; i += 1) starts[i] += starts[i - 1];
  const sorted = new Uint32Array(rows.length);
  for (let i = 0; i < rows.length; i += 1) {
    const digit = (keys[rows[i]] >>> shift) & mask;
    sorted[starts[digit]] = rows[i];
    starts[digit] += 1;
  }
  return sorted;
}
