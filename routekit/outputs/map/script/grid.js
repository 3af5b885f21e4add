// A table of which each group of rows, such as those of a run, has the same kinds: a row is the
// number of its group times the number of kinds, and its kind.
class Grid extends Table {
  constructor(packed) {
    super(packed);
    this.kinds = packed.kinds;
    this.n = packed.groups * packed.kinds;
    this.by = packed.by;
    this.isThere = packed.is;
    this.shelf = packed.shelf;
  }

  get(name, row) {
    const kind = row % this.kinds;
    const group = (row - kind) / this.kinds;
    if (name === this.by) return group;
    const column = this.columns[name];
    if (!column) return null;
    const key = `${name} ${kind}`;
    const read = this.readers.get(key) || readerOf(column, column.at[kind], column.e && column.e[kind]);
    this.readers.set(key, read);
    return read(group);
  }

  async readAll() {
    for (const name of this.names) {
      for (let kind = 0; kind < this.kinds; kind += 1) {
        this.get(name, kind);
        await breathe();
      }
    }
  }

  groupBy() {
    const there = this.isThere.map((place) => this.shelf.numbers(place));
    return (group) => there.flatMap((numbers, kind) => (numbers[group] === 1 ? [group * this.kinds + kind] : []));
  }
}

const tableOf = (packed) => ("kinds" in packed ? new Grid(packed) : new Table(packed));
