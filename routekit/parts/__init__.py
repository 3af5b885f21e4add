"""A study in parts: runs judged part by part, each with all that it hangs together with.

The study is read whole, the runs are judged in parts (`pipeline.judge_runs`, which takes most of
time and memory), and what holds for the study is concluded over all of them
(`pipeline.conclude`). Results in one piece hold the whole study in memory, long tables and all.
Results by area (`run.run_by_areas`) hold of it the layers, the works and trees, and few columns of
what is listed run by run: checks, options, texts and priced items stay with their parts, from disk
to disk; texts, numbers and shapes of the rest are mapped from disk (`shelf`). Reading, dividing and
concluding still grow with the study, by what stages make of all rows at once. The result is that of
the study in one piece. What couples runs, and how each coupling is kept (the contract of this
room; who adds a coupling adds it here and in `divide.py`):

- Strings, pits, chains and the length of a chain go from run to run through manholes, among runs
  that need work or are burst by decision. Networks of such runs (`site.chains.label_networks`) are
  never cut; a pit, string or dig belongs to the part of its run.
- Any run at a manhole may be a larger branch, or a second way down: all runs at the manholes of
  the runs that are judged are taken along.
- A new line may lead to the lower manhole of the one run below: that run is at the lower manhole,
  and what lies round it is no farther than the longest run and what is spared beside it.
- A larger pipe looks at every run down its line, and what these would need at every larger pipe
  above them. Lines below runs that may be enlarged, and runs that may be enlarged above those,
  are judged with the part, each with its network.
- Trees, services, obstacles, surfaces, connections and other runs count within reach: all within
  `divide.find_reach_m` of the runs that are judged are taken along; the nearest surface and the
  nearest stem however far they are.
- Whether the study has a layer at all, its widest bore, and whether any zone keeps a least
  distance hold for all runs: each part takes a row along that tells the same.
- Trees are balanced, sums, surveys, alerts, programme, diversion, permits, care and record are
  made over all runs at once; so are ranks of condition, medians and units of columns, mended
  rows and findings, which come before the division.
- Draws of sureness are draws of inputs, the same for all runs, whatever part they are in.
- Settings are read once and go with each part; runs that a setting names are looked up in the
  whole study first.
- Ids of strings, pits and digs are numbered along the whole study: parts give marked ids, which
  are replaced in columns and texts once all parts are there (`numbering.py`).
- Rows are in the order of the whole study; the column `run` or `tree` is a position in it.
"""
