// What each way of renewing a run costs, lasts and takes: a table, and the same as a picture.

const WAYS = { width: 420, row: 34, bar: 8, most: 330 };

// A figure with its low and high estimate below it.
function bandText(of, name, row) {
  const [low, mid, high] = [`${name}_low`, name, `${name}_high`].map((column) => of(column, row));
  if (mid === null) return notKnown();
  return [grouped(mid), low === null || high === null || low === high ? null
    : make("span", { class: "remedy unbroken" }, say("{low} to {high}", { low: grouped(low), high: grouped(high) }))];
}

function wayList(detail) {
  const rows = detail.rowsOf("options");
  if (!rows.length || !detail.options.has("cost")) return null;
  const of = (name, row) => detail.options.get(name, row);
  return [make("h3", {}, say("Cost and duration of each technique")),
    wayPicture(rows, of),
    dataTable(say("Cost and duration of each technique"),
      [say("Technique"), costHead(), say("Whole-life cost"), say("Days of one crew")],
      rows.map((row) => [techniqueName(of("technique", row)), bandText(of, "cost", row),
        bandText(of, "whole_life_cost", row), bandText(of, "days", row)]), { id: "way-table" })];
}

// Upper bar: first cost; lower bar: whole-life cost; a line from the low to the high estimate.
function wayPicture(rows, of) {
  const values = rows.flatMap((row) => ["cost", "cost_high", "whole_life_cost", "whole_life_cost_high"].map((name) => of(name, row) || 0));
  const most = Math.max(...values);
  if (!most) return null;
  const x = (value) => (WAYS.most * value) / most;
  const bar = (row, name, top, style) => (of(name, row) === null ? null : [
    makeSvg("rect", { x: 0, y: top, width: x(of(name, row)).toFixed(1), height: WAYS.bar, class: style }),
    of(`${name}_high`, row) === null ? null : makeSvg("line", { x1: x(of(`${name}_low`, row)).toFixed(1), x2: x(of(`${name}_high`, row)).toFixed(1),
      y1: top + WAYS.bar / 2, y2: top + WAYS.bar / 2, class: "w-band" })]);
  const drawn = rows.map((row, i) => {
    const top = i * WAYS.row;
    const isLost = of("cost", row) === null;
    return [makeSvg("text", { x: 0, y: top + 11, class: "w-name" }, [`${VERDICT_SIGNS[of("verdict", row)] || ""} ${techniqueName(of("technique", row))}`, isLost ? `: ${notKnown()}` : ""].join("")),
      bar(row, "cost", top + 14, "w-first"), bar(row, "whole_life_cost", top + 14 + WAYS.bar, "w-whole")];
  });
  return make("figure", { class: "drawing" },
    makeSvg("svg", { class: "ways", id: "way-picture", viewBox: `0 0 ${WAYS.width} ${rows.length * WAYS.row}`, role: "img",
      "aria-label": say("Bars of first cost and whole-life cost of each technique; the table below gives the same figures.") }, drawn),
    make("figcaption", {}, say("Upper bar: first cost. Lower bar: whole-life cost. The line runs from the low to the high estimate. The sign before a name is its worst verdict.")));
}
