// Finds a run, tree, manhole, pit or string by its number.

const finder = {
  open() {
    byId("finder").addEventListener("submit", (event) => {
      event.preventDefault();
      this.find(byId("finder-text").value.trim());
    });
  },

  find(text) {
    if (!text) return this.tell(say("Enter a number first."));
    const exact = this.matches((id) => id === text);
    const found = exact.length ? exact : this.matches((id) => id.toLowerCase() === text.toLowerCase());
    const near = found.length ? found : this.matches((id) => id.toLowerCase().includes(text.toLowerCase()));
    if (!near.length) return this.tell(say("Nothing found for {text}.", { text }));
    const [kind, row] = near[0];
    openPlace(kind, row);
    return this.tell(sayMany("Showing {name}.", "{n} matches; showing {name}.", { n: near.length, name: shortName(kind, row) }));
  },

  matches(test) {
    return Object.entries(study.rows).flatMap(([kind, rows]) => (
      [...rows].filter(([id]) => test(id)).map(([, row]) => [kind, row])));
  },

  tell(text) {
    byId("finder-note").textContent = text;
  },
};
