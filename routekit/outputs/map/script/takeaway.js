// The listed runs as a file.

const TAKEN = ["run_id", "street", "street_basis", "from_manhole", "to_manhole", "diameter_mm", "height_mm", "shape", "material", "use", "year",
  "length_m", "depth_up_m", "depth_down_m", "technique", "standing", "bore_change", "new_pipe", "runner_up", "string_id", "severity", "n_trees",
  "sureness", "cost_mid", "whole_life_cost_mid"];
const TAKEN_TEXTS = ["reason", "runner_up_reason", "camera_may_change", "would_change", "to_confirm"];

const takeaway = {
  async rows() {
    const rows = [];
    for (const run of schedule.shown) {
      const detail = await detailOf(run);
      const row = {};
      for (const name of TAKEN) row[name] = study.runs.get(name, run);
      for (const name of TAKEN_TEXTS) row[name] = put(statementOf(detail.texts, name, detail.row));
      rows.push([run, row]);
    }
    return rows;
  },

  async csv() {
    const names = [...TAKEN, ...TAKEN_TEXTS];
    const lines = (await this.rows()).map(([, row]) => names.map((name) => csvCell(row[name])).join(","));
    offerFile(fileName("csv"), "text/csv", `\ufeff${[names.join(","), ...lines].join("\r\n")}\r\n`);
  },

  async geojson() {
    const features = (await this.rows()).map(([run, properties]) => ({
      type: "Feature", properties, geometry: lineOf(run) }));
    offerFile(fileName("geojson"), "application/geo+json", JSON.stringify({ type: "FeatureCollection", features }));
  },
};

// Text that a spreadsheet would take for a formula gets an apostrophe before it.
function csvCell(value) {
  if (value === null || value === undefined) return "";
  if (typeof value === "number") return String(value);
  const text = /^[=+\-@\t\r\n]/.test(value) ? `'${value}` : String(value);
  return /[",\r\n]/.test(text) ? `"${text.replaceAll('"', '""')}"` : text;
}

function lineOf(run) {
  const lines = study.runs.outlines;
  if (lines.isEmpty(run)) return null;
  const parts = [];
  for (let r = lines.ringStart[run]; r < lines.ringStart[run + 1]; r += 1) {
    const part = [];
    for (let v = lines.vertexStart[r]; v < lines.vertexStart[r + 1]; v += 1) {
      const { lat, lng } = gridToLatLng(lines.x[v], lines.y[v]);
      part.push([Number(lng.toFixed(7)), Number(lat.toFixed(7))]);
    }
    parts.push(part);
  }
  return parts.length === 1 ? { type: "LineString", coordinates: parts[0] }
    : { type: "MultiLineString", coordinates: parts };
}

function fileName(ending, what = "runs") {
  const name = study.meta.name.normalize("NFKD").replace(/[^A-Za-z0-9]+/g, "-").replace(/^-|-$/g, "").slice(0, 60);
  return `${name || "study"}-${what}.${ending}`;
}
