"""The rule that no count shrinks without a word, on results that break it by one thing each."""

from dataclasses import replace

import pytest
from counted import hold_counts

from routekit.techniques import BURSTING


def change(result, table, **columns):
    """A result with other values in some columns of one table."""
    return replace(result, **{table: getattr(result, table).assign(**columns)})


def less_by_one(column, row):
    """Take one off in one row."""
    column = column.copy()
    column.iloc[row] -= 1
    return column


def drop_tree(result):
    return replace(result, trees=result.trees.iloc[1:])


def count_fewer_major(result):
    runs = result.runs
    row = runs["n_major"].astype(float).argmax()
    return change(result, "runs", n_major=less_by_one(runs["n_major"].astype(float), row))


def count_fewer_crossings(result):
    runs = result.runs
    row = runs["n_crossings"].astype(float).argmax()
    return change(result, "runs", n_crossings=less_by_one(runs["n_crossings"].astype(float), row))


def see_fewer_roots(result):
    seen = result.condition["root_count"].astype(float)
    return change(result, "condition", root_count=less_by_one(seen, seen.argmax()))


def lose_string(result):
    return replace(result, strings=result.strings.iloc[1:])


def lose_pit(result):
    return replace(result, pits=result.pits.iloc[1:])


def lose_dig(result):
    dug = (result.digs["method"] != "robot").to_numpy()
    return replace(result, digs=result.digs.drop(index=result.digs.index[dug][0]))


def price_less(result):
    items = result.quantities
    row = (items["item"] == "pipe_pe_kg").to_numpy().argmax()
    return change(result, "quantities", quantity=less_by_one(items["quantity"], row))


def lose_item(result):
    row = (result.quantities["item"] == "pipe_pe_kg").to_numpy().argmax()
    return replace(result, quantities=result.quantities.drop(index=result.quantities.index[row]))


def harm_less_by_open_cut(result):
    options = result.options
    cut = (options["technique"] == "open_cut").to_numpy() & (options["n_major"] > 0).to_numpy()
    return change(result, "options", n_major=less_by_one(options["n_major"], cut.argmax()))


def spare_tree(result):
    worst = result.tree_balance["severity"].astype(str)
    row = (worst == "minor").to_numpy().argmax()
    worst.iloc[row] = "none"
    return change(result, "tree_balance", severity=worst)


def total_less(quantity, side):
    def spoil(result):
        totals = result.totals
        row = (totals["quantity"] == quantity).to_numpy().argmax()
        return change(result, "totals", **{side: less_by_one(totals[side], row)})

    return spoil


def rename_row(result):
    names = result.totals["quantity"].replace("Surface reinstated: verge", "Surface: verge")
    return change(result, "totals", quantity=names)


BROKEN = {
    "a tree": (drop_tree, "trees"),
    "a major breach": (count_fewer_major, "n_major"),
    "a crossing": (count_fewer_crossings, "n_crossings"),
    "roots seen": (see_fewer_roots, "root_count"),
    "a string": (lose_string, "runs burst and runs pulled differ"),
    "a pit": (lose_pit, "pits and ends of strings differ"),
    "a dig": (lose_dig, "digs"),
    "an amount": (price_less, "pipe_pe_kg"),
    "an item": (lose_item, "pipe_pe_kg"),
    "harm by open cut": (harm_less_by_open_cut, "n_hurt"),
    "harm to a tree": (spare_tree, "severity"),
    "a total of open cut": (total_less("Runs worked on", "open_cut_mid"), "Runs worked on"),
    "a recommended total": (total_less("Pits", "recommended_mid"), "Pits"),
    "a row of the totals": (rename_row, "Surface reinstated: verge"),
}


def test_a_result_held_against_itself_is_whole(sample_result):
    hold_counts(sample_result, sample_result)


@pytest.mark.parametrize("case", BROKEN)
def test_what_shrinks_without_a_word_is_found(case, sample_result):
    spoil, named = BROKEN[case]
    with pytest.raises(AssertionError, match=named):
        hold_counts(sample_result, spoil(sample_result))


def test_a_row_that_names_nothing_is_found(sample_result):
    renamed = rename_row(sample_result)
    with pytest.raises(AssertionError, match="a key that names no row"):
        hold_counts(renamed, renamed)


def test_another_technique_explains_what_a_run_takes_less(sample_result):
    """Runs that are no longer burst take their string, its pits and their digs away with them."""
    strings, advice = sample_result.strings, sample_result.advice
    first, others = strings.iloc[0], strings.iloc[1:]
    ends = {first["launch_pit"], first["reception_pit"]}
    lost = ends - {*others["launch_pit"], *others["reception_pit"]}
    is_mine = advice["run_id"].isin(first["run_ids"].split(";"))
    technique = advice["technique"].astype(str)
    assert technique[is_mine].isin(BURSTING).all()
    other = replace(
        sample_result,
        advice=advice.assign(technique=technique.mask(is_mine, "cipp")),
        strings=others,
        pits=sample_result.pits[~sample_result.pits["pit_id"].isin(lost)],
        digs=sample_result.digs[~sample_result.digs["run_id"].isin(first["run_ids"].split(";"))],
    )
    hold_counts(sample_result, other)
