// The programme of works: a bar for each package, and the same days as a table.

const BARS = { width: 420, row: 34, bar: 12, top: 34, foot: 6 };
const LONGEST_PLACE = 60;
const GANGS = ["inside", "pits", "trench"];

function programmePage() {
  const table = study.programme;
  const head = make("h2", {}, say("Programme"));
  if (!table.n) return [head, make("p", {}, say("No programme was asked for, or nothing is worked on."))];
  const of = (name, row) => table.get(name, row);
  const rows = Array.from({ length: table.n }, (_, row) => row);
  return [head, programmeBars(rows, of),
    dataTable(say("Programme"), [say("Package"), say("First day"), say("Last day, likely"), say("Float"), say("Status")],
      rows.map((row) => [[of("package_id", row), make("span", { class: "remedy" }, placeOfPackage(of, row)), runsOfPackage(of, row), stagesOfPackage(of, row)],
        ...daysOfPackage(of, row),
        [codeWord("placed", of("status", row)), make("span", { class: "remedy" }, textOf(table, "to_confirm", row), textOf(table, "hindrance", row)), doneOf(of, row), readyOf(table, row)]]),
      { id: "programme-table" })];
}

// A package that is finished has no days to come.
function daysOfPackage(of, row) {
  if (of("status", row) === "finished") return ["", "", ""];
  return [dayOf(of, "start", row), [dayOf(of, "finish", row), lastDays(of, row)], number(of("float_days", row))];
}

// How many of its runs are finished, and the last day on which one was.
function doneOf(of, row) {
  return of("n_done", row) ? make("span", { class: "remedy" }, say("Runs finished"), `: ${of("n_done", row)}, ${of("done_on", row)}`) : null;
}

// The stages of a package, each with its days and band, and the likely days on which it is under way.
function stagesOfPackage(of, row) {
  const stages = study.stagesOf(of("package_id", row));
  if (!stages.length) return null;
  return make("details", {}, make("summary", {}, say("Stages")), make("ul", { class: "stages" }, stages.map((stage) => {
    const [from, to] = ["begin_date", "end_date"].map((name) => study.stages.get(name, stage));
    return make("li", {}, tellStage(stage), from ? [make("br"), make("span", { class: "unbroken source" }, from === to ? from : `${from} \u2013 ${to}`)] : null);
  })));
}

function tellStage(row) {
  const days = ["days_low", "days", "days_high"].map((name) => study.stages.get(name, row));
  // What whole days leave over is not more where the work takes longer.
  const inOrder = days.includes(null) ? days : [...days].sort((a, b) => a - b);
  return say("{stage}: {days} days ({low} to {high})", { stage: codeWord("stage", study.stages.get("stage", row)),
    days: number(days[1], 1), low: number(inOrder[0], 1), high: number(inOrder[2], 1) });
}

// Nothing is called ready while a permit is open, or anything else is left to confirm.
function readyOf(table, row) {
  if (table.get("status", row) === "finished") return null;
  if (table.get("is_ready", row)) return make("span", { class: "remedy" }, say("Ready: every permit is in."));
  if (!table.get("n_open_permits", row)) return null;
  return make("span", { class: "remedy" }, say("Not ready, open permits: {what}", { what: textOf(table, "open_permits", row) }));
}

function placeOfPackage(of, row) {
  return [of("string_id", row), streetWord(of("street", row))].filter(Boolean).join(", ");
}

// The runs of a package, each of which opens its card.
function runsOfPackage(of, row) {
  const runs = String(of("run_ids", row)).split(";").map((id) => study.rows.run.get(id)).filter((run) => run !== undefined);
  return make("details", {}, make("summary", {}, THINGS.runs(of("n_runs", row))),
    runs.map((run) => [make("button", { type: "button", class: "opener", onclick: () => openPlace("run", run), onfocus: () => plan.mark("run", run) },
      study.runs.get("run_id", run)), " "]));
}

function dayOf(of, name, row) {
  const [date, day] = [of(`${name}_date`, row), of(`${name}_day`, row)];
  if (date) return make("span", { class: "unbroken" }, date);
  return day === null ? notKnown() : number(day);
}

function lastDays(of, row) {
  if (of("finish_day", row) === null) return null;
  // A date is not parted at its hyphens.
  const [low, high] = ["early_finish", "late_finish"].map((name) => (of(`${name}_date`, row) || of(`${name}_day`, row) || "").toString().replaceAll("-", "\u2011"));
  return make("span", { class: "remedy" }, say("{low} to {high}", { low: low || notKnown(), high: high || notKnown() }));
}

// Within a bar every other stage is darker; pointing at one tells it.
function stageParts(id, x, top) {
  return study.stagesOf(id).filter((row) => study.stages.get("end_day", row) !== null).map((row, i) => {
    const [from, to] = ["begin_day", "end_day"].map((name) => x(study.stages.get(name, row)));
    return makeSvg("rect", { x: from.toFixed(1), y: top, width: (to - from).toFixed(1), height: BARS.bar, class: `stage-${i % 2 ? "odd" : "even"}` },
      makeSvg("title", {}, tellStage(row)));
  });
}

// Bar: from the first to the likely last day; line: from the early to the late last day.
function programmeBars(rows, of) {
  const placed = rows.filter((row) => of("start_day", row) !== null);
  if (!placed.length) return null;
  const most = Math.max(...placed.map((row) => Math.max(of("finish_day", row), of("late_finish_day", row) || 0)));
  const x = (day) => (BARS.width * day) / most;
  const line = (row, top) => {
    const [early, late] = [of("early_finish_day", row), of("late_finish_day", row)];
    return late === null ? null : makeSvg("line", { x1: x(early).toFixed(1), x2: x(late).toFixed(1), y1: top, y2: top, class: "w-band" });
  };
  const drawn = placed.map((row, i) => {
    const top = BARS.top + i * BARS.row;
    const start = of("start_day", row) - 1;
    return [makeSvg("text", { x: 0, y: top + 11, class: "w-name" }, shorten(`${of("package_id", row)} ${placeOfPackage(of, row)}`, LONGEST_PLACE)),
      makeSvg("rect", { x: x(start).toFixed(1), y: top + 15, width: Math.max(x(of("finish_day", row) - start), 2).toFixed(1), height: BARS.bar, class: `gang-${of("work", row)}${of("is_ready", row) ? "" : " gang-waits"}` }),
      stageParts(of("package_id", row), x, top + 15), line(row, top + 15 + BARS.bar / 2)];
  });
  const height = BARS.top + placed.length * BARS.row + BARS.foot;
  const step = Math.max(roundBelow(most / 3), 1);
  const steps = Array.from({ length: Math.floor(most / step) + 1 }, (_, i) => i * step);
  return make("figure", { class: "drawing" },
    makeSvg("svg", { class: "ways", id: "programme-bars", viewBox: `0 0 ${BARS.width} ${height}`, role: "img",
      "aria-label": say("A bar for each package; the table below gives the same days.") },
    steps.map((day) => makeSvg("line", { x1: x(day).toFixed(1), x2: x(day).toFixed(1), y1: 18, y2: height, class: "gang-grid" })),
    steps.map((day, i) => makeSvg("text", { x: x(day).toFixed(1), y: 12, class: "w-name", "text-anchor": i ? x(day) > BARS.width - 12 ? "end" : "middle" : "start" }, sayNumber(day))),
    drawn),
    make("figcaption", {}, GANGS.map((gang) => [makeSvg("svg", { viewBox: "0 0 14 10", width: 14, height: 10, "aria-hidden": "true" },
      makeSvg("rect", { width: 14, height: 10, class: `gang-${gang}` })), " ", codeWord("gang", gang), " \u00a0"]),
    say("Working days from the start. Bar: until the likely last day. Line: from the early to the late last day, if all packages take the low or the high days."), " ", say("Light and dark within a bar: one stage after the other; the table names them."), " ", say("A stage stands for all runs of its package together."), " ", say("Pale: not ready yet.")));
}
