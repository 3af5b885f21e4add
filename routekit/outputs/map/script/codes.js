// How codes of the tables are said: codes of the package, by the list they belong to. A value that
// stands in no list is a word of the data, and is shown as it is kept.

/** @type {Record<string, Record<string, () => string>>} */
const CODES = {
  material: {
    concrete: () => say("concrete"),
    reinforced_concrete: () => say("reinforced concrete"),
    clay: () => say("clay"),
    brick: () => say("brick"),
    fibre_cement: () => say("fibre cement"),
    cast_iron: () => say("cast iron"),
    ductile_iron: () => say("ductile iron"),
    steel: () => say("steel"),
    pvc: () => "PVC",
    pe: () => "PE",
    pp: () => "PP",
    grp: () => say("GRP"),
    lined: () => say("lined before"),
    unknown: () => notKnown(),
  },
  shape: {
    circular: () => say("circular"),
    egg: () => say("egg-shaped"),
    rectangular: () => say("rectangular"),
    other: () => say("another shape"),
    unknown: () => notKnown(),
  },
  use: {
    storm: () => say("surface water sewer"),
    foul: () => say("foul sewer"),
    combined: () => say("combined sewer"),
    unknown: () => say("use not known"),
  },
  source: {
    levels: () => say("levels"),
    "levels, rising": () => say("levels, rising"),
    "manhole depth": () => say("depth of the manhole"),
    "given depth": () => say("depth given"),
    terrain: () => say("terrain"),
    "other end": () => say("the other end"),
    assumed: () => say("assumed"),
    unknown: () => notKnown(),
    "design flow": () => say("design flow"),
    "runoff of the catchment": () => say("runoff of the catchment"),
    "no worse than the sound old pipe": () => say("no worse than the sound old pipe"),
    "not known": () => notKnown(),
  },
  priority: {
    none: () => say("none"),
    low: () => say("low"),
    medium: () => say("medium"),
    high: () => say("high"),
    unknown: () => notKnown(),
  },
  estimated: {
    stem: () => say("stem estimated"),
    crown: () => say("crown estimated"),
  },
  service: {
    gas: () => say("gas"),
    water: () => say("water main"),
    electricity: () => say("electricity"),
    telecom: () => say("telecom"),
    heat: () => say("district heating"),
    sewer: () => say("sewer"),
    other: () => say("another service"),
  },
  age: {
    "newly planted": () => say("newly planted"),
    young: () => say("young"),
    "semi-mature": () => say("semi-mature"),
    "early mature": () => say("early mature"),
    mature: () => say("mature"),
    "late mature": () => say("late mature"),
    "over-mature": () => say("over-mature"),
    veteran: () => say("veteran"),
  },
  dig: {
    connection: () => say("connection"),
    service: () => say("crossing service"),
    manhole: () => say("manhole"),
    local_repair: () => say("local repair"),
  },
  method: {
    hand: () => say("by hand"),
    suction: () => say("vacuum excavation"),
    machine: () => say("by machine"),
    robot: () => say("by robot, from inside"),
    "open cut": () => say("open cut"),
  },
  direction: {
    downstream: () => say("downstream"),
    upstream: () => say("upstream"),
  },
  verdict: {
    pass: () => say("pass"),
    caution: () => say("caution"),
    unknown: () => say("unknown"),
    fail: () => say("fail"),
  },
  severity: {
    none: () => say("No tree"),
    minor: () => say("Minor"),
    major: () => say("Major"),
    structural: () => say("Structural"),
    unknown: () => say("Not known"),
  },
  finding: {
    info: () => say("info"),
    warning: () => say("warning"),
    error: () => say("error"),
  },
  decision: {
    force: () => say("technique chosen"),
    exclude: () => say("technique ruled out"),
    no_pit: () => say("no pit in the zone"),
    no_tree: () => say("no tree stands there"),
    own_zone: () => say("zone drawn by hand"),
    stem: () => say("stem corrected"),
    tree_gone: () => say("tree gone"),
  },
  rule: {
    setting: () => say("setting"),
    "zone regime": () => say("zone regime"),
    formula: () => say("formula"),
    table: () => say("table"),
    study: () => say("study"),
    input: () => say("input"),
    library: () => say("library"),
    source: () => say("source"),
    caution: () => say("caution"),
    note: () => say("note"),
  },
  stand: {
    recommended: () => say("recommended"),
    "provisional: inspect first": () => say("provisional: inspect first"),
    "provisional: the owner decides on the line": () => say("provisional: the owner decides on the line"),
    "owner's decision, not inspected": () => say("owner's decision, not inspected"),
    "open: inspect first": () => say("open: inspect first"),
    "open: a person decides": () => say("open: a person decides"),
  },
  gang: { inside: () => say("inside"), pits: () => say("pits"), trench: () => say("trench") },
  placed: { placed: () => say("placed"), "to confirm": () => say("to confirm"), "cannot be placed": () => say("cannot be placed"), finished: () => say("finished") },
  stage: {
    "set-up": () => say("set-up"),
    "flow diversion": () => say("flow diversion"),
    "cleaning and camera": () => say("cleaning and camera"),
    "pits and digs": () => say("pits and digs"),
    "trench and pipe": () => say("trench and pipe"),
    repairs: () => say("repairs"),
    welding: () => say("welding"),
    "pulling in": () => say("pulling in"),
    "rest of the pipe": () => say("rest of the pipe"),
    lining: () => say("lining"),
    curing: () => say("curing"),
    reconnections: () => say("reconnections"),
    reinstatement: () => say("reinstatement"),
    "camera and clearing": () => say("camera and clearing"),
    "left of the last day": () => say("left of the last day"),
  },
  sureness: {
    sure: () => say("sure"),
    likely: () => say("likely"),
    open: () => say("open"),
    decided: () => say("decided"),
  },
  standing: {
    published: () => say("published"),
    memory: () => say("published, cited from memory"),
    house: () => say("our own choice"),
    derived: () => say("derived"),
    practice: () => say("common practice"),
    "study file": () => say("study file"),
  },
};

function codeWord(list, code) {
  if (code === null || code === undefined || code === "") return notKnown();
  const words = CODES[list];
  return Object.hasOwn(words, code) ? words[code]() : String(code);
}

// Whether something must come before the works of a run, by the word of its standing.
function isQualified(standing) {
  return !["recommended", "open: a person decides"].includes(standing);
}
