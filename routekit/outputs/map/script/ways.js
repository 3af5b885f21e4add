// What each way of renewing a run costs, lasts and takes: a table, and the same as a picture.

const WAYS = { width: 420, row: 34, bar: 8, most: 330 };

// A figure with its low and high estimate below it.
function bandText(of, name, row) {
  const [low, mid, high] = [`${name}_low`, name, `${name}_high`].map((column) => of(column, row));
  if (mid === null) return notKnown();
  return [grouped(mid), low === null || high === null || low === high ? null
    : make("span", { class: "remedy unbroken" }, say("{low} to {high}", { low: grouped(low), high: grouped(high) }))];
}

function wayList(detail, id) {
  const options = detail.rowsOf("options");
  if (!options.length || !detail.options.has("cost")) return null;
  // The new line of a run, if one was found, stands below the techniques.
  const rows = [...options.map((row) => ({ row })), ...newLineOf(id).map((row) => ({ row, isNewLine: true }))];
  const middle = (name) => (["cost", "whole_life_cost", "days"].includes(name) ? `${name}_mid` : name);
  const of = (name, { row, isNewLine }) => (isNewLine ? study.new_lines.get(middle(name), row) : detail.options.get(name, row));
  return [make("h3", {}, say("Cost and duration of each technique")),
    wayPicture(rows, of),
    dataTable(say("Cost and duration of each technique"),
      [say("Technique"), costHead(), say("Whole-life cost"), say("Days of one crew")],
      rows.map((row) => [wayName(of, row), bandText(of, "cost", row),
        bandText(of, "whole_life_cost", row), bandText(of, "days", row)]), { id: "way-table" })];
}

const wayName = (of, row) => (row.isNewLine ? say("New line") : techniqueName(of("technique", row)));

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
    return [makeSvg("text", { x: 0, y: top + 11, class: "w-name" }, [`${VERDICT_SIGNS[of("verdict", row)] || ""} ${wayName(of, row)}`, isLost ? `: ${notKnown()}` : ""].join("")),
      bar(row, "cost", top + 14, "w-first"), bar(row, "whole_life_cost", top + 14 + WAYS.bar, "w-whole")];
  });
  return make("figure", { class: "drawing" },
    makeSvg("svg", { class: "ways", id: "way-picture", viewBox: `0 0 ${WAYS.width} ${rows.length * WAYS.row}`, role: "img",
      "aria-label": say("Bars of first cost and whole-life cost of each technique; the table below gives the same figures.") }, drawn),
    make("figcaption", {}, say("Upper bar: first cost. Lower bar: whole-life cost. The line runs from the low to the high estimate. The sign before a name is its worst verdict.")));
}

// The district renewed in each way: cost against roots, a point for each, and its figures.
function waysOfDistrict() {
  const of = (name, row) => study.ways.get(name, row);
  if (!study.ways.n || !of("n_runs", 0)) return null;
  const rows = Array.from({ length: study.ways.n }, (_, row) => row);
  const runs = of("n_runs", 0);
  const lost = of("n_left_out", 0);
  return make("section", { id: "ways" }, make("h3", {}, say("Ways of renewing the district")),
    make("p", {}, sayMany("Over {n} run to be worked on; each way takes the best technique of its kind.", "Over {n} runs to be worked on; each way takes the best technique of its kind on each.", { n: runs }),
      lost ? [" ", warning(sayMany("{n} run is left out, since one of the ways is not known there.", "{n} runs are left out, since one of the ways is not known there.", { n: lost }))] : null),
    chartOfWays(rows, of),
    dataTable(say("Ways of renewing the district"), [say("Way"), costHead(), say("Root zone, m\u00b2"), say("Fails a check"), say("Days of one crew"), say("CO\u2082e, kg")],
      rows.map((row) => [raiseFirst(put(statementOf(study.ways, "text", row))), bandText(of, "cost", row), grouped(of("root_m2", row)),
        of("n_failing", row) ? warning(THINGS.runs(of("n_failing", row))) : say("none"), grouped(of("days", row)), grouped(of("co2e_kg", row))]), { id: "ways-table" }),
    make("p", { class: "remedy" }, say("Root zone: dug or severed, added over runs and trees; a tree at two runs counts twice. A way that fails a check on some runs cannot be carried out there.")));
}

const CHART = { width: 420, height: 246, left: 52, right: 14, top: 32, bottom: 44 };

function chartOfWays(rows, of) {
  const dearest = Math.max(...rows.map((row) => of("cost_high", row)));
  const most = Math.max(...rows.map((row) => of("root_m2", row)), 1);
  if (!(dearest > 0)) return null;
  const [right, foot] = [CHART.width - CHART.right, CHART.height - CHART.bottom];
  const x = (value) => CHART.left + ((right - CHART.left) * value) / dearest;
  const y = (value) => foot - ((foot - CHART.top) * value) / most;
  const text = (left, top, words, anchor = "start") => makeSvg("text", { x: left.toFixed(1), y: top.toFixed(1), class: "w-name", "text-anchor": anchor }, words);
  const point = (row, i) => {
    const [left, top] = [x(of("cost", row)), y(of("root_m2", row))];
    return [makeSvg("line", { x1: x(of("cost_low", row)).toFixed(1), x2: x(of("cost_high", row)).toFixed(1), y1: top.toFixed(1), y2: top.toFixed(1), class: "w-band" }),
      makeSvg("circle", { cx: left.toFixed(1), cy: top.toFixed(1), r: 7, class: of("way", row) === "recommended" ? "w-chosen" : "w-other" }),
      text(left, top + 4, String(i + 1), "middle")];
  };
  return make("figure", { class: "drawing" },
    makeSvg("svg", { class: "ways", id: "ways-chart", viewBox: `0 0 ${CHART.width} ${CHART.height}`, role: "img",
      "aria-label": say("First cost against root zone dug or severed, a point for each way; the table below gives the same figures.") },
    makeSvg("path", { d: `M${CHART.left} ${CHART.top}V${foot}H${right}`, class: "w-axis" }),
    text(CHART.left, 12, say("Root zone dug or severed, m\u00b2")), text(right, foot + 30, costHead(), "end"),
    text(CHART.left - 4, y(most) + 4, grouped(most), "end"), text(CHART.left - 4, foot + 4, "0", "end"), text(right, foot + 15, grouped(dearest), "end"),
    rows.map(point)),
    make("figcaption", {}, rows.map((row, i) => `${i + 1} ${put(statementOf(study.ways, "text", row))}`).join("; "), ". ", say("The line runs from the low to the high cost.")));
}
