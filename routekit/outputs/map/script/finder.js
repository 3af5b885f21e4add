// Finds a run, tree, manhole, pit or string by its number.

const finder = {
  open() {
    byId("finder").addEventListener("submit", (event) => {
      event.preventDefault();
      this.find(byId("finder-text").value.trim());
    });
  },

  find(text) {
    if (!text) return this.tell("Enter a number first.");
    const exact = this.matches((id) => id === text);
    const found = exact.length ? exact : this.matches((id) => id.toLowerCase() === text.toLowerCase());
    const near = found.length ? found : this.matches((id) => id.toLowerCase().includes(text.toLowerCase()));
    if (!near.length) return this.tell(`Nothing found for ${text}.`);
    const [kind, row] = near[0];
    openPlace(kind, row);
    return this.tell(near.length > 1 ? `${near.length} matches; showing ${shortName(kind, row)}.` : `Showing ${shortName(kind, row)}.`);
  },

  matches(test) {
    return Object.entries(study.rows).flatMap(([kind, rows]) => (
      [...rows].filter(([id]) => test(id)).map(([, row]) => [kind, row])));
  },

  tell(text) {
    byId("finder-note").textContent = text;
  },
};
