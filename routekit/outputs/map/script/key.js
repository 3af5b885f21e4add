// The key under the plan: each entry shows how its runs are drawn, counts them and leaves them out.

const key = {
  open() {
    /** @type {NodeListOf<HTMLInputElement>} */
    const radios = document.querySelectorAll("input[name=view]");
    for (const radio of radios) {
      radio.addEventListener("change", () => {
        drawing.view = radio.value;
        this.build();
        plan.redraw();
        schedule.refresh();
      });
    }
    this.build();
  },

  /** @returns {[string, string, (code: string) => string, string]} */
  kinds() {
    return drawing.view === "harm"
      ? ["severity", "severities", severityName, say("Severity of open cut; untick to hide")]
      : ["technique", "techniques", techniqueName, say("Recommended; untick to hide")];
  },

  build() {
    const [name, set, wordsOf, title] = this.kinds();
    const facet = narrowing.of(name);
    byId("key-legend").textContent = title;
    const strokes = Object.entries(study.palette[set]).filter(([value]) => facet.counts.has(value));
    byId("key-entries").replaceChildren(...strokes.map(([value, stroke]) => (
      make("label", { class: "key-entry" },
        make("input", { type: "checkbox", checked: facet.chosen.has(value), "data-value": value,
          onchange: (event) => narrowing.set(name, value, event.target.checked) }),
        strokeSample(stroke),
        make("span", {}, `${wordsOf(value)} `, make("b", {}, facet.counts.get(value)))))));
  },

  refresh() {
    const [name] = this.kinds();
    for (const tick of byId("key-entries").querySelectorAll("input")) {
      tick.checked = narrowing.of(name).chosen.has(tick.dataset.value);
    }
  },
};

function strokeSample(stroke) {
  const line = { x1: 2, x2: 46, y1: 9, y2: 9, "stroke-linecap": "butt" };
  return makeSvg("svg", { class: "sample", viewBox: "0 0 48 18", width: 48, height: 18, "aria-hidden": "true" },
    makeSvg("line", { ...line, stroke: "#ffffff", "stroke-width": stroke.width + 3 }),
    makeSvg("line", { ...line, stroke: stroke.colour, "stroke-width": stroke.width,
      "stroke-dasharray": stroke.dash.join(" ") || null }),
    ...markShapes(stroke, 24, 9));
}
