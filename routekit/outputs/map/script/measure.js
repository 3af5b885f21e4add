// Measures along a line on the plan, by pointer or by keyboard.

const measuring = {
  isOn: false,

  open() {
    byId("measure").addEventListener("click", () => this.turn(!this.isOn));
    sheet_map.getContainer().addEventListener("keydown", (event) => {
      if (!this.isOn) return;
      if (event.key === "Enter" || event.key === " ") {
        event.preventDefault();
        this.add(latLngToGrid(sheet_map.getCenter()));
      } else if (event.key === "Escape") this.turn(false);
      else if (event.key === "Backspace") this.drop();
    });
  },

  turn(isOn) {
    this.isOn = isOn;
    drawing.route = [];
    byId("measure").setAttribute("aria-pressed", String(isOn));
    sheet_map.getContainer().classList.toggle("is-measuring", isOn);
    this.tell();
    if (isOn) sheet_map.getContainer().focus();
    plan.redraw();
  },

  add(place) {
    drawing.route.push(place);
    this.tell();
    plan.redraw();
  },

  drop() {
    drawing.route.pop();
    this.tell();
    plan.redraw();
  },

  // Cells of the grid shrink towards the equator; each leg counts at its own latitude.
  length() {
    const middle = plan.wholeBounds();
    const home = middle ? Math.cos((middle.getCenter().lat * Math.PI) / 180) : 1;
    let metres = 0;
    for (let i = 1; i < drawing.route.length; i += 1) {
      const [a, b] = [drawing.route[i - 1], drawing.route[i]];
      const lat = gridToLatLng((a.x + b.x) / 2, (a.y + b.y) / 2).lat;
      metres += (metresOf(b.x - a.x, b.y - a.y) * Math.cos((lat * Math.PI) / 180)) / home;
    }
    return metres;
  },

  tell() {
    const points = drawing.route.length;
    let text = "";
    if (this.isOn && points < 2) {
      text = say("Measuring: click points on the plan, or press Enter to add the point under the cross at its centre. Backspace removes the last point, Escape ends.");
    } else if (this.isOn) text = sayMany("{length} over {n} point.", "{length} over {n} points.", { n: points, length: quantity(this.length(), "m", 2) });
    byId("plan-note").textContent = text;
  },
};
