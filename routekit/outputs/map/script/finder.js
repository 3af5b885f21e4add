// Finds a run, tree, manhole, pit or string by its number, and a street by its name.

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
    if (!near.length) return this.findStreet(text);
    const [kind, row] = near[0];
    openPlace(kind, row);
    return this.tell(sayMany("Showing {name}.", "{n} matches; showing {name}.", { n: near.length, name: shortName(kind, row) }));
  },

  // A street by its name: its runs alone, in the list and on the plan.
  findStreet(text) {
    const streets = [...narrowing.of("street").counts.keys()].filter((name) => name.toLowerCase().includes(text.toLowerCase())).sort();
    if (!streets.length) return this.tell(say("Nothing found for {text}.", { text }));
    const [street] = streets;
    narrowing.reset();
    narrowing.only("street", street);
    schedule.fold();
    window.location.hash = "#page=runs";
    plan.showShown();
    return this.tell(sayMany("Showing {name}.", "{n} matches; showing {name}.", { n: streets.length, name: street }));
  },

  matches(test) {
    return Object.entries(study.rows).flatMap(([kind, rows]) => (
      [...rows].filter(([id]) => test(id)).map(([, row]) => [kind, row])));
  },

  tell(text) {
    byId("finder-note").textContent = text;
  },
};
