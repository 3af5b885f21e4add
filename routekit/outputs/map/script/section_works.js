// What the long section shows besides ground and pipe: findings, connections and the new pipe.

// What an observation is was decided with the checks: its feature, and whether its kind is known.
function sectionFindings(detail) {
  const of = (name, row) => detail.inspections.get(name, row);
  const rows = detail.rowsOf("inspections").filter((row) => of("chainage_m", row) !== null);
  const at = (row) => of("chainage_m", row);
  const sure = rows.filter((row) => of("is_kind_known", row));
  return {
    collapses: sure.filter((row) => of("feature", row) === "collapses").map(at),
    roots: sure.filter((row) => of("feature", row) === "root_share")
      .map((row) => ({ m: at(row), percent: of("amount", row) === null ? null : 100 * of("amount", row) })),
    doubtful: rows.filter((row) => !of("is_kind_known", row))
      .map((row) => ({ m: at(row), code: of("code", row) ?? say("no code") })),
  };
}

// Roots hang from the crown by the share of the bore they fill; a collapse is crossed out.
function drawFindings(found, levels, frame) {
  const crown = (m) => levelAt(levels, "invert", m) + levels.bore;
  const roots = found.roots.filter(({ m }) => m <= levels.length).map(({ m, percent }) => {
    const [x, top] = [frame.x(m), frame.y(crown(m))];
    const bore = frame.y(levelAt(levels, "invert", m)) - top;
    const reach = Math.max(4, ((percent ?? 0) / 100) * bore);
    return [polygonOf([[x - 3, top], [x + 3, top], [x + 1.2, top + reach], [x - 1.2, top + reach]], { class: "s-root" }),
      percent === null ? makeSvg("text", { x: x + 4, y: top + 9, class: "s-figure" }, "?") : null];
  });
  const collapses = found.collapses.filter((m) => m <= levels.length).map((m) => {
    const [x, y] = [frame.x(m), frame.y(levelAt(levels, "invert", m) + levels.bore / 2)];
    const foot = frame.y(levelAt(levels, "invert", m)) + 12;
    return [makeSvg("path", { d: `M${x - 7} ${y - 7}L${x + 7} ${y + 7}M${x + 7} ${y - 7}L${x - 7} ${y + 7}`, class: "s-collapse" }),
      nameAt(x, foot, say("collapse {place} m", { place: number(m, 1) }))];
  });
  const doubtful = found.doubtful.filter(({ m }) => m <= levels.length)
    .map(({ m, code }) => nameAt(frame.x(m), frame.y(levelAt(levels, "invert", m)) + 12, `${code}? ${number(m, 1)} m`));
  return [roots, collapses, doubtful];
}

// A connection is a stub at the crown; where it is dug for, the shaft stands down to it.
function drawConnected(run, levels, frame) {
  const digOf = new Map();
  for (const dig of study.digsOfRun(study.runs.get("run_id", run))) {
    if (study.digs.get("connection_id", dig) !== null && !isRobot(dig)) digOf.set(study.digs.get("connection_id", dig), dig);
  }
  return connectionsOn(run).map((row) => {
    const m = Math.min(levels.length, study.connections.get("chainage_m", row));
    const [x, crown] = [frame.x(m), frame.y(levelAt(levels, "invert", m) + levels.bore)];
    const dig = digOf.get(study.connections.get("connection_id", row));
    const ground = frame.y(levelAt(levels, "ground", m));
    const half = dig === undefined ? 0 : Math.max(2, (Math.sqrt(study.digs.get("footprint_m2", dig) || 1) * frame.perM) / 2);
    return [half ? makeSvg("rect", { x: x - half, y: ground, width: 2 * half, height: crown - ground, class: "s-dig" }) : null,
      makeSvg("line", { x1: x, x2: x, y1: crown - 11, y2: crown, class: "s-joined" }),
      nameAt(x, crown - 13, (study.connections.get("kind", row) || "?")[0])];
  });
}

function connectionsOn(run) {
  return study.connectionsOfRun(study.runs.get("run_id", run))
    .filter((row) => study.connections.get("chainage_m", row) !== null);
}

// Outside and bore of the recommended new pipe in m, or null where there is none or it is not known.
function newPipe(run) {
  const technique = study.runs.get("technique", run);
  const [outside, bore] = ["new_outside_mm", "new_bore_mm"].map((name) => study.runs.get(name, run));
  return outside === null || bore === null ? null : { outside: outside / 1000, bore: bore / 1000, technique };
}

// Where each lies in the old pipe: along its wall, on its axis, on its invert, or invert on invert.
function drawNewPipe(pipe, levels, frame) {
  if (!pipe) return null;
  const wall = (pipe.outside - pipe.bore) / 2;
  const { lies } = study.techniques[pipe.technique];
  const outside = lies === "wall" ? levels.bore : pipe.outside;
  const bore = outside - 2 * wall;
  let foot = 0;
  if (lies === "axis") foot = (levels.bore - outside) / 2;
  else if (lies === "invert") foot = -wall;
  const stroke = study.palette.techniques[pipe.technique];
  const band = (low, high) => polygonOf([[0, high], [levels.length, high], [levels.length, low], [0, low]].map(([m, up]) => (
    [frame.x(m), frame.y(levelAt(levels, "invert", m) + foot + up)])), { class: "s-new", fill: stroke.colour, stroke: stroke.colour });
  return [band(0, wall), band(wall + bore, outside)];
}

// Words centred on a place, moved inwards where they would leave the drawing.
function nameAt(x, y, words) {
  const half = nameWidth(words) / 2;
  const middle = Math.max(half + 2, Math.min(SECTION.width - half - 2, x));
  return makeSvg("text", { x: middle.toFixed(1), y, "text-anchor": "middle", class: "s-name" }, words);
}

function nameWidth(words) {
  return 6.4 * words.length;
}

// Rows of tree names, so that no two overlap: [{ tree row, from, to, words, line }].
function stackNames(run, levels, perM) {
  const ends = [];
  return study.breachesOfRun(run).map((row) => {
    const from = Math.max(0, study.breaches.get("from_m", row) ?? 0);
    const to = Math.min(levels.length, study.breaches.get("to_m", row) ?? levels.length);
    const words = shorten(study.trees.get("tree_id", study.breaches.get("tree", row)), 12);
    const x = SECTION.left + ((from + to) / 2) * perM;
    const middle = Math.min(SECTION.width - nameWidth(words) / 2 - 2, x);
    const start = middle - nameWidth(words) / 2;
    let line = ends.findIndex((end) => end < start - 3);
    if (line < 0) line = ends.length;
    ends[line] = start + nameWidth(words);
    return { row, from, to, words, line };
  });
}

function sectionCaption(levels, frame, run, found, pipe) {
  const lines = [
    say("To scale; heights exaggerated {times} times.", { times: number(frame.stretch, 1) }),
    levels.hasGround ? say("Levels in m above the study's datum.") : say("No ground levels: heights are measured from the ground surface."),
    say("Light brown: trench down to the invert. Green: densest roots (down to {depth} below ground), darker within a protection zone.",
      { depth: quantity(study.meta.root_band_m, "m") }),
    found.roots.length ? say("Hanging from the crown: roots seen by camera, drawn as deep as the share of the bore they fill.") : null,
    found.collapses.length ? say("Red cross: collapse.") : null,
    found.doubtful.length ? say("Code with a question mark: not understood, or its kind is not known.") : null,
    connectionsOn(run).length ? say("Stubs: connections (g gully, h house, u not known); white shaft: reopened by a dig.") : null,
    study.crossingsOfRun(run).length ? say("Rings: crossing services; dashed: depth not known.") : null,
    pipe ? bandsOf(pipe.technique) : null,
  ];
  return lines.filter(Boolean).join(" ");
}

function bandsOf(technique) {
  const { lies } = study.techniques[technique];
  if (lies === "wall") return say("Solid bands: new pipe wall, along the old wall.");
  return lies === "axis" ? say("Solid bands: new pipe wall, drawn on the old axis.")
    : say("Solid bands: new pipe wall, drawn on the old invert.");
}
