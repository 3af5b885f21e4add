// Drawings in the reading column: the long section of a run and the plan of a pit, to scale.

const SECTION = { width: 420, left: 40, right: 10, top: 26, ground: 118, bottom: 34 };

// Levels along a run in metres; without levels the ground stands at zero.
function sectionLevels(run) {
  const of = (name) => study.runs.get(name, run);
  const [upDepth, downDepth, length] = [of("depth_up_m"), of("depth_down_m"), of("length_m")];
  if (upDepth === null || downDepth === null || !length) return null;
  const hasGround = of("ground_up_m") !== null && of("ground_down_m") !== null;
  const [up, down] = hasGround ? [of("ground_up_m"), of("ground_down_m")] : [0, 0];
  const bore = (of("height_mm") || of("diameter_mm") || 0) / 1000;
  const profile = groundProfile(hasGround ? of("ground_profile") : null, length, up, down);
  return { length, up, down, upInvert: up - upDepth, downInvert: down - downDepth, bore, hasGround, profile };
}

// Vertices of the ground as pairs of chainage and level; a straight line where nothing tells it.
function groundProfile(text, length, up, down) {
  const told = String(text || "").split("; ").map((pair) => pair.split(" ").map(Number));
  const known = told.filter((pair) => pair.length === 2 && pair.every(Number.isFinite));
  return known.length > 1 ? known : [[0, up], [length, down]];
}

function groundAt(profile, m) {
  const next = Math.max(1, profile.findIndex(([at]) => at >= m));
  const [[a, low], [b, high]] = [profile[next - 1], profile[next]];
  return b > a ? low + ((high - low) * (m - a)) / (b - a) : low;
}

function longSection(run, detail) {
  const levels = sectionLevels(run);
  if (!levels) return make("p", { class: "lack" }, say("No long section: the depth of this run is not known."));
  const names = stackNames(run, levels, (SECTION.width - SECTION.left - SECTION.right) / levels.length);
  const found = sectionFindings(detail);
  const pipe = newPipe(run);
  const frame = sectionFrame(levels, names);
  const title = say("Long section of run {id}", { id: named(study.runs.get("run_id", run)) });
  const drawn = makeSvg("svg", { class: "section", id: "long-section", viewBox: `0 0 ${SECTION.width} ${frame.height}`, role: "img", "aria-label": sectionWords(run, levels, found) },
    makeSvg("title", {}, title),
    sectionGround(levels, frame), sectionTrees(names, frame, levels), drawConnected(run, levels, frame),
    sectionPipe(levels, frame), drawNewPipe(pipe, levels, frame), drawFindings(found, levels, frame),
    sectionServices(run, frame, levels), sectionAxes(run, levels, frame));
  return make("figure", { class: "drawing" }, drawn, make("figcaption", {}, sectionCaption(levels, frame, run, found, pipe)));
}

// The long section in words, for whoever cannot see it: one sentence each.
function sectionWords(run, levels, found) {
  const places = (rows) => rows.map(({ m }) => number(m, 1)).join(", ");
  return [
    say("Long section, {length} m long; invert {up} m deep upstream and {down} m downstream.", { length: number(levels.length, 1),
      up: number(levels.up - levels.upInvert, 2), down: number(levels.down - levels.downInvert, 2) }),
    found.collapses.length ? say("Collapse at {places} m.", { places: places(found.collapses.map((m) => ({ m }))) }) : null,
    found.roots.length ? say("Roots at {places} m.", { places: places(found.roots) }) : null,
    ...found.doubtful.map(({ m, code }) => say("{code}, kind not known, at {place} m.", { code, place: number(m, 1) })),
    sayMany("Crossed by {n} protection zone.", "Crossed by {n} protection zones.", { n: study.breachesOfRun(run).length }),
    sayMany("Crossed by {n} service.", "Crossed by {n} services.", { n: study.crossingsOfRun(run).length }),
    sayMany("{n} connection.", "{n} connections.", { n: connectionsOn(run).length }),
    say("The tables below give the same figures."),
  ].filter(Boolean).join(" ");
}

function sectionFrame(levels, names) {
  const ground = levels.profile.map(([, level]) => level);
  const highest = Math.max(levels.up, levels.down, ...ground);
  const lowest = Math.min(levels.upInvert, levels.downInvert, ...ground) - 0.3;
  const perM = (SECTION.width - SECTION.left - SECTION.right) / levels.length;
  const stretch = Math.max(1, Math.min(10, Math.round((150 / (highest - lowest) / perM) * 2) / 2));
  const head = SECTION.top + 11 * Math.max(1, ...names.map(({ line }) => line + 1));
  const x = (m) => SECTION.left + m * perM;
  const y = (level) => head + (highest - level) * perM * stretch;
  return { x, y, perM, stretch, height: y(lowest) + SECTION.bottom, lowest, highest };
}

function polygonOf(points, attributes) {
  return makeSvg("polygon", { points: points.map((p) => p.map((v) => v.toFixed(1)).join(",")).join(" "), ...attributes });
}

function levelAt(levels, name, m) {
  if (name === "ground") return groundAt(levels.profile, Math.min(Math.max(m, 0), levels.length));
  const [a, b] = [levels.upInvert, levels.downInvert];
  return a + ((b - a) * m) / levels.length;
}

function sectionBand(levels, frame, from, to, depth, attributes) {
  const top = groundBetween(levels, from, to);
  const bottom = top.map(([m, level]) => [m, level - depth]).reverse();
  return polygonOf([...top, ...bottom].map(([m, level]) => [frame.x(m), frame.y(level)]), attributes);
}

function groundBetween(levels, from, to) {
  const inner = levels.profile.filter(([m]) => m > from && m < to);
  return [[from, levelAt(levels, "ground", from)], ...inner, [to, levelAt(levels, "ground", to)]];
}

function sectionGround(levels, frame) {
  const { x, y } = frame;
  const ground = groundBetween(levels, 0, levels.length).map(([m, level]) => [x(m), y(level)]);
  return [
    polygonOf([...ground, [x(levels.length), y(levels.downInvert)], [x(0), y(levels.upInvert)]], { class: "s-trench" }),
    sectionBand(levels, frame, 0, levels.length, study.meta.root_band_m, { class: "s-roots" }),
    makeSvg("polyline", { points: ground.map((p) => p.map((v) => v.toFixed(1)).join(",")).join(" "), class: "s-ground" }),
  ];
}

function sectionTrees(names, frame, levels) {
  return names.map(({ from, to, words, line }) => {
    const middle = (from + to) / 2;
    const [x, y] = [frame.x(middle), frame.y(levelAt(levels, "ground", middle))];
    return [
      sectionBand(levels, frame, from, to, study.meta.root_band_m, { class: "s-zone" }),
      makeSvg("line", { x1: x, y1: y, x2: x, y2: y - 9, class: "s-stem" }),
      nameAt(x, y - 12 - line * 11, words),
    ];
  });
}

function sectionPipe(levels, frame) {
  const { x, y } = frame;
  const [top, bottom] = [(invert) => y(invert + levels.bore), y];
  return [
    polygonOf([[x(0), top(levels.upInvert)], [x(levels.length), top(levels.downInvert)],
      [x(levels.length), bottom(levels.downInvert)], [x(0), bottom(levels.upInvert)]], { class: "s-pipe" }),
    [[0, levels.up, levels.upInvert], [levels.length, levels.down, levels.downInvert]].map(
      ([m, ground, invert]) => makeSvg("line", { x1: x(m), x2: x(m), y1: y(ground), y2: y(invert), class: "s-manhole" })),
  ];
}

function sectionServices(run, frame, levels) {
  return study.crossingsOfRun(run).map((row) => {
    const service = study.crossings.get("service", row);
    const depth = study.services.get("depth_m", service);
    const m = study.crossings.get("chainage_m", row);
    const x = frame.x(m);
    const letter = SERVICE_MARKS[study.services.get("kind", service)] || "X";
    if (depth === null) {
      return [makeSvg("line", { x1: x, x2: x, y1: frame.y(levelAt(levels, "ground", m)), y2: frame.y(levelAt(levels, "invert", m)), class: "s-unknown" }),
        makeSvg("text", { x: x + 4, y: frame.y(levelAt(levels, "ground", m)) + 22, class: "s-name" }, `${letter}?`)];
    }
    const y = frame.y(levelAt(levels, "ground", m) - depth);
    const r = ((study.services.get("diameter_mm", service) || 100) / 2000) * frame.perM;
    return [makeSvg("ellipse", { cx: x, cy: y, rx: Math.max(2.2, r), ry: Math.max(2.2, r * frame.stretch), class: "s-service" }),
      makeSvg("text", { x: x + 6, y: y + 4, class: "s-name" }, letter)];
  });
}

function sectionAxes(run, levels, frame) {
  const marks = [];
  const step = [0.5, 1, 2, 5, 10].find((n) => (frame.highest - frame.lowest) / n <= 6) || 20;
  for (let level = Math.ceil(frame.lowest / step) * step; level <= frame.highest; level += step) {
    const y = frame.y(level);
    marks.push(makeSvg("line", { x1: SECTION.left - 4, x2: SECTION.left, y1: y, y2: y, class: "s-tick" }),
      makeSvg("text", { x: SECTION.left - 6, y: y + 3.5, "text-anchor": "end", class: "s-figure" }, number(level, 1)));
  }
  const foot = frame.height - 20;
  const along = [1, 2, 5, 10, 20, 50, 100].find((n) => levels.length / n <= 8) || 200;
  for (let m = 0; m <= levels.length; m += along) {
    marks.push(makeSvg("line", { x1: frame.x(m), x2: frame.x(m), y1: foot - 6, y2: foot - 2, class: "s-tick" }),
      makeSvg("text", { x: frame.x(m), y: foot + 9, "text-anchor": "middle", class: "s-figure" }, number(m)));
  }
  const name = (end, m, anchor) => makeSvg("text", { x: frame.x(m), y: 11, "text-anchor": anchor, class: "s-name" },
    shorten(study.runs.get(end, run), 16));
  return [marks, makeSvg("line", { x1: SECTION.left, x2: SECTION.left, y1: SECTION.top, y2: foot - 4, class: "s-tick" }),
    name("from_manhole", 0, "start"), name("to_manhole", levels.length, "end")];
}

// The plan of a pit with its sides, the runs through it and the nearest stems.
function pitSketch(pit) {
  const lines = study.pits.outlines;
  if (lines.isEmpty(pit) || lines.last(pit) - lines.first(pit) < 4) return null;
  const [west, north, east, south] = lines.box(pit);
  const [cx, cy] = [(west + east) / 2, (north + south) / 2];
  const stems = stemsNear(pit);
  const reach = Math.max((east - west) / 2, (south - north) / 2, ...stems.filter((s) => s.away < 12)
    .map((s) => Math.max(Math.abs(s.x - cx), Math.abs(s.y - cy)))) / study.cells + 1.5;
  const perM = 190 / reach;
  const at = (x, y) => [210 + ((x - cx) / study.cells) * perM, 200 + ((y - cy) / study.cells) * perM];
  const svg = makeSvg("svg", { class: "section", viewBox: "0 0 420 400", role: "img", "aria-label": say("Plan of pit {id}; sizes and distances are in the lists below.", { id: named(study.pits.get("pit_id", pit)) }) },
    sketchRuns(cx, cy, reach, at), stems.map((stem) => sketchStem(stem, at, perM)),
    polygonOf(cornersOf(lines, pit).map(([x, y]) => at(x, y)), { class: "p-pit" }),
    sketchSides(pit, at), stems.map((stem) => sketchDistance(stem, at)), sketchScale(perM));
  return make("figure", { class: "drawing" }, svg, make("figcaption", {}, say("Plan to scale, north up. Dashed: protection zone; brown: structural zone; numbers in m.")));
}

function cornersOf(lines, feature) {
  const corners = [];
  const stop = lines.vertexStart[lines.ringStart[feature] + 1];
  for (let v = lines.first(feature); v < stop; v += 1) corners.push([lines.x[v], lines.y[v]]);
  return corners;
}

// The stems that stand nearest to a pit, with the point of its edge that is nearest to each.
function stemsNear(pit) {
  const corners = cornersOf(study.pits.outlines, pit);
  return study.stemsOfPit(pit).map((row) => {
    const tree = study.pit_stems.get("tree", row);
    const [x, y] = study.trees.outlines.box(tree);
    return { tree, x, y, away: study.pit_stems.get("edge_m", row), ...nearestOnEdge(corners, x, y) };
  });
}

function nearestOnEdge(corners, x, y) {
  let [least, best] = [Infinity, {}];
  for (let i = 0; i < corners.length - 1; i += 1) {
    const [[ax, ay], [bx, by]] = [corners[i], corners[i + 1]];
    const [dx, dy] = [bx - ax, by - ay];
    const length = dx * dx + dy * dy;
    const t = length ? Math.max(0, Math.min(1, ((x - ax) * dx + (y - ay) * dy) / length)) : 0;
    const [ex, ey] = [ax + t * dx, ay + t * dy];
    const away = metresOf(x - ex, y - ey);
    if (away < least) [least, best] = [away, { ex, ey }];
  }
  return best;
}

function sketchRuns(cx, cy, reach, at) {
  const box = { west: cx - reach * study.cells, east: cx + reach * study.cells,
    north: cy - reach * study.cells, south: cy + reach * study.cells };
  const lines = study.runs.outlines;
  const drawn = [];
  for (let run = 0; run < study.runs.n; run += 1) {
    if (lines.isEmpty(run) || !isInView(lines, run, box)) continue;
    const points = cornersOf(lines, run).map(([x, y]) => at(x, y).map((v) => v.toFixed(1)).join(",")).join(" ");
    drawn.push(makeSvg("polyline", { points, class: "p-run" }));
  }
  return drawn;
}

function sketchStem(stem, at, perM) {
  const [cx, cy] = at(stem.x, stem.y);
  const of = (name) => study.trees.get(name, stem.tree) || 0;
  return [
    of("radius_m") ? makeSvg("circle", { cx, cy, r: of("radius_m") * perM, class: "p-zone" }) : null,
    of("structural_radius_m") ? makeSvg("circle", { cx, cy, r: of("structural_radius_m") * perM, class: "p-core" }) : null,
    makeSvg("circle", { cx, cy, r: Math.max(3, (of("stem_mid_mm") / 2000) * perM), class: "p-stem" }),
    makeSvg("text", { x: cx, y: cy - 8, "text-anchor": "middle", class: "s-name" }, shorten(study.trees.get("tree_id", stem.tree), 14)),
  ];
}

function sketchDistance(stem, at) {
  const [[x1, y1], [x2, y2]] = [at(stem.x, stem.y), at(stem.ex, stem.ey)];
  if (Math.hypot(x2 - x1, y2 - y1) > 400) return null;
  return [makeSvg("line", { x1, y1, x2, y2, class: "p-distance" }),
    makeSvg("text", { x: (x1 + x2) / 2 + 4, y: (y1 + y2) / 2 - 3, class: "p-figure" }, number(stem.away, 2))];
}

function sketchSides(pit, at) {
  const points = cornersOf(study.pits.outlines, pit);
  if (points.length !== 5) return null;
  const middle = at((points[0][0] + points[2][0]) / 2, (points[0][1] + points[2][1]) / 2);
  return [0, 1].map((i) => {
    const [[ax, ay], [bx, by]] = [points[i], points[i + 1]];
    const drawn = metresOf(bx - ax, by - ay);
    const stated = ["length_m", "width_m"].map((name) => study.pits.get(name, pit));
    const metres = stated.find((side) => side !== null && Math.abs(side - drawn) < 0.05) ?? drawn;
    const side = at((ax + bx) / 2, (ay + by) / 2);
    const away = Math.hypot(side[0] - middle[0], side[1] - middle[1]) || 1;
    const [x, y] = [0, 1].map((j) => side[j] + ((side[j] - middle[j]) / away) * (j ? 12 : 17));
    return makeSvg("text", { x, y: y + 4, "text-anchor": "middle", class: "p-figure" }, `${number(metres, 1)} m`);
  });
}

function sketchScale(perM) {
  const metres = [10, 5, 2, 1, 0.5].find((n) => n * perM <= 110) || 0.25;
  return [makeSvg("line", { x1: 14, x2: 14 + metres * perM, y1: 388, y2: 388, class: "s-ground" }),
    makeSvg("text", { x: 14, y: 382, class: "s-figure" }, `${number(metres)} m`)];
}
