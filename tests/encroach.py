"""What the works of a result made by hand do to its trees, measured anew."""

import dataclasses

import pandas as pd

from routekit.advice.settings import AdviceSettings
from routekit.arrays import take_numbers
from routekit.site.encroachments import measure_encroachments
from routekit.site.layout import find_dug
from routekit.site.zone_layer import prepare_zones
from routekit.techniques import MONITOR, OPEN_CUT

MAJOR_FROM_SHARE = 0.2
GRAZED_M2 = AdviceSettings().grazed_m2


def _fill(works):
    """Pits or digs without rows may lack columns."""
    names = ("pit_id", "dig_id", "run_id", "method")
    filled = works.assign(**{name: None for name in names if name not in works})
    return filled.assign(opens_ground=(filled["method"].astype(object) != "robot").to_numpy())


def measure(tables, breaches):
    """The encroachments of pits, digs and breaches, by the package's own function."""
    runs, trees, zones = tables["runs"], tables["trees"], tables["zones"]
    sd = pd.Series(take_numbers(trees, "position_sd_m"), index=trees["tree_id"].astype(str))
    return measure_encroachments(
        breaches,
        _fill(tables["pits"]),
        _fill(tables["digs"]),
        prepare_zones(
            zones,
            no_pit_trees=[],
            position_sd_m=sd.reindex(zones["tree_id"].astype(str)).to_numpy(dtype=float),
        ),
        runs,
        marks=list_marks(tables),
        is_estimated=zones["is_estimated"].fillna(value=False).to_numpy(dtype=bool),
        major_from_share=MAJOR_FROM_SHARE,
        grazed_m2=GRAZED_M2,
    )


def list_marks(tables):
    """What is recommended for runs, and which are to be worked on."""
    ids = tables["runs"]["run_id"].astype(str)
    advice = tables["advice"].set_index(tables["advice"]["run_id"].astype(str))
    technique = advice["technique"].astype(str).reindex(ids)
    condition = tables["condition"].set_index(tables["condition"]["run_id"].astype(str))
    needs = condition["needs_work"].reindex(ids).eq(True)
    return pd.DataFrame(
        {
            "is_open_cut": technique.isin([OPEN_CUT]).to_numpy(),
            "is_watched": technique.isin([MONITOR]).to_numpy(),
            "is_worked_on": find_dug(
                needs.to_numpy(dtype=bool, na_value=False),
                technique.fillna("").to_numpy(dtype=object),
            ),
        }
    )


def change(result, *, breaches=None, **changes):
    """A result with other tables, and what its works do to trees measured anew."""
    changed = dataclasses.replace(result, **changes)
    rows = changed.breaches if breaches is None else breaches
    found = measure(changed.tables, rows)
    dug = found.loc[(found["kind"] != "trench") & found["is_inside"], "tree_id"].unique()
    balance = _mark_touched(changed.tree_balance, dug)
    return dataclasses.replace(changed, encroachments=found, tree_balance=balance)


def _mark_touched(balance, trees):
    """The balance with these trees among those that works touch."""
    missing = [tree for tree in trees if tree not in set(balance["tree_id"])]
    more = balance.iloc[[0] * len(missing)].assign(tree_id=missing, open_cut_severity="none")
    both = pd.concat([balance, more], ignore_index=True) if missing else balance
    return both.assign(is_touched=both["is_touched"] | both["tree_id"].isin(trees))


def edit_trenches(result, **columns):
    """The result with other values in the rows of trenches."""
    table = result.encroachments.copy()
    is_trench = (table["kind"] == "trench").to_numpy()
    for name, values in columns.items():
        table.loc[is_trench, name] = values
    return dataclasses.replace(result, encroachments=table)


def no_breaches(result):
    """The result as if no trench entered a zone."""
    is_trench = (result.encroachments["kind"] == "trench").to_numpy()
    return dataclasses.replace(result, encroachments=result.encroachments[~is_trench])


def list_touches(result):
    """Pits and digs in zones as drawn: tree_id, kind, item_id, item (position in its table)."""
    table = result.encroachments
    met = table[(table["kind"] != "trench") & table["is_inside"]]
    found = met[["tree_id", "kind", "work_id"]].rename(columns={"work_id": "item_id"})
    places = {
        kind: pd.Index(getattr(result, f"{kind}s")[f"{kind}_id"]).get_indexer(found["item_id"])
        for kind in ("pit", "dig")
    }
    item = pd.Series(places["dig"], index=found.index)
    return found.assign(item=item.where(found["kind"] == "dig", places["pit"]))
