"""Runs of a result that are laid on a new line."""


def list_laid(result):
    """Runs on a new line, whose breaches are of that, and the trees of their old trenches."""
    laid = result.runs[result.advice["is_new_line"].to_numpy(dtype=bool)]
    assert len(laid) == 1
    # What tears back from the trench of the run as it is, which is as wide as that of the new one.
    width = result.trenches.set_index("run_id")["corridor_width_m"][laid["run_id"]].max()
    reach = result.zones["radius_m"] + width / 2
    near = result.zones.geometry.distance(laid.geometry.iloc[0]) < reach
    trees = set(result.zones["tree_id"][near])
    assert len(trees) == laid["n_trees"].iloc[0]
    return set(laid["run_id"]), trees
