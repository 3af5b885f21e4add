"""Thirty-four small streets, one for each answer in answers.csv, laid out in one study.

Each lies by itself, 400 m from the next, round (0, y); common practice, no source.
"""

import numpy as np
from avenue import Avenue, at
from shapely import LineString, box

APART_M = 400.0
EXTRA = """
[site.placement]
forbidding_trees = "veteran"
"""


class Streets(Avenue):
    """Streets laid out one after another; `runs_of` are the runs that a case asks about."""

    def __init__(self):
        super().__init__()
        self.services, self.obstacles, self.runs_of = [], [], {}

    def street(self, case, lengths, *, trees=True, choked=True, asked=None, **columns):
        """One street: a drain, trees along it except at its manholes, roots in its joints."""
        y = APART_M * len(self.runs_of)
        name = f"{case} "
        self.drain(name, 0, y, lengths, **columns)
        total = float(np.sum(lengths))
        names = [f"{name}{i + 1}" for i in range(len(lengths))]
        self.runs_of[case] = [names[i] for i in asked] if asked is not None else names
        if trees:
            xs = np.arange(6.0, total - 5.0, 10.0) if total > 15 else [total / 2]
            self.row_of_trees(f"T {case} ", xs, y + 3.0)
        for run, length in zip(names, lengths, strict=True):
            if choked:
                self.roots(run, [round(length * share, 1) for share in (0.2, 0.5, 0.8)])
            else:
                self.see(run, 0.0, "BCD", "")
        return y

    def see(self, run, chainage_m, code, characterisation, quantification=None, *, at_joint=False):
        """One observation."""
        self.finds.append(
            {
                "run_id": run,
                "chainage_m": chainage_m,
                "code": code,
                "characterisation": characterisation,
                "quantification": quantification,
                "at_joint": at_joint,
            }
        )

    def fall_backwards(self, step_m):
        """Let the middle one of the last three runs fall backwards; those at its ends do not."""
        above, middle, below = self.runs[-3:]
        low = middle["invert_up_m"]
        middle["invert_down_m"] = low + step_m
        below["invert_up_m"] = low + step_m
        below["invert_down_m"] = low - 0.2
        assert above["invert_down_m"] == low

    def ban(self, tree):
        """No pit in the zone of a tree."""
        self.decide(tree_id=tree, decision="no_pit", by="arborist", reason="old beech roots")


def lay_out():
    """All the streets."""
    town = Streets()
    street, see = town.street, town.see

    y = street("gas main beside", [40.0])
    town.services.append(
        {
            "service_id": "G1",
            "kind": "gas",
            "depth_m": 1.7,
            "diameter_mm": 110.0,
            "geometry": LineString([at(-5, y + 0.45), at(45, y + 0.45)]),
        }
    )

    street("one collapse", [40.0], choked=False)
    see("one collapse 1", 20.0, "BAC", "C")

    y = street("ten connections", [20.0])
    town.tap("ten connections 1", *[(1.0 + 2 * i, y + 0.5) for i in range(10)])

    street("five metres", [5.0])
    street("six metres deep", [40.0], depth_m=6.0)

    y = street("no pit at either end", [40.0])
    town.row_of_trees("ban", [-1.0, 41.0], y + 2.5)
    town.ban("ban0")
    town.ban("ban1")

    y = street("veterans over both ends", [40.0])
    town.row_of_trees("veteran", [-1.0, 41.0], y + 2.5, stems=(1100.0,))
    for tree in town.trees[-2:]:
        tree["is_veteran"] = True

    street("owner keeps", [40.0], choked=False, renew=False)
    street("sound", [40.0], choked=False)
    street("fibre cement", [40.0], material="fibre_cement")
    street("backfall alone", [40.0] * 3, trees=False, asked=[1])
    town.fall_backwards(0.3)
    y = street("backfall under trees", [40.0] * 3, trees=False, asked=[1])
    town.fall_backwards(0.3)
    town.row_of_trees("bf", np.arange(44.0, 80.0, 6.0), y + 1.5)
    town.row_of_trees("bg", np.arange(44.0, 80.0, 6.0), y - 1.5)
    street("egg", [40.0], shape="egg", diameter_mm=400.0, height_mm=600.0)

    street("never inspected", [40.0])
    town.finds = [row for row in town.finds if not row["run_id"].startswith("never inspected")]

    street("narrow in a wide line", [40.0] * 3, asked=[1], diameter_mm=300.0, design_flow_l_s=40.0)
    town.runs[-2]["diameter_mm"] = 200.0
    street("too little flow", [30.0] * 4, design_flow_l_s=62.0)
    # Only the second run is choked; the sound ones round it are as small, and asked for as much.
    street("larger between smaller", [40.0] * 4, asked=[1], choked=False, design_flow_l_s=62.0)
    town.roots("larger between smaller 2", [8.0, 20.0, 32.0])
    street("larger above unknown", [40.0] * 3, asked=[0], choked=False, design_flow_l_s=62.0)
    town.roots("larger above unknown 1", [8.0, 20.0, 32.0])
    town.runs[-1]["diameter_mm"] = None

    street("one fault", [50.0], choked=False)
    see("one fault 1", 22.0, "BAJ", "B", 45.0, at_joint=True)
    town.roots("one fault 1", [22.0], size=30.0)

    street("flattened", [40.0], choked=False, material="pvc")
    for place in (5.0, 15.0, 25.0, 35.0):
        see("flattened 1", place, "BAA", "A", 20.0)

    street("broken throughout", [30.0], trees=False, choked=False, depth_m=1.5)
    for place in (4.0, 11.0, 18.0, 25.0):
        see("broken throughout 1", place, "BAC", "C")

    street("steel", [40.0], material="steel")
    street("bend", [40.0])
    see("bend 1", 20.0, "BCC", "A", 25.0)
    street("size unknown", [40.0], diameter_mm=None)
    street("material unknown", [40.0], material="unknown")

    street("forced trench", [40.0])
    town.decide(
        run_id="forced trench 1", decision="force", technique="open_cut", by="owner", reason="asked"
    )
    street("lining ruled out", [35.0] * 4)
    for run in town.runs_of["lining ruled out"]:
        for technique in ("cipp", "close_fit", "slip_lining"):
            town.decide(
                run_id=run, decision="exclude", technique=technique, by="owner", reason="no liner"
            )

    street("long run", [130.0])
    street("large bore", [60.0], diameter_mm=900.0, depth_m=3.0)

    y = street("building beside", [40.0], diameter_mm=300.0)
    town.obstacles.append({"kind": "building", "geometry": box(*at(-5, y - 8), *at(45, y - 0.65))})
    y = street("under a building", [40.0], trees=False)
    town.obstacles.append({"kind": "building", "geometry": box(*at(8, y - 6), *at(30, y + 6))})

    street(
        "shallow upsizing",
        [40.0],
        trees=False,
        depth_m=0.8,
        diameter_mm=300.0,
        design_flow_l_s=130.0,
    )
    street("flowing infiltration", [35.0] * 3, use="foul")
    for run in town.runs_of["flowing infiltration"]:
        see(run, 9.0, "BBF", "C", at_joint=True)
        see(run, 21.0, "BBF", "C", at_joint=True)

    street("cracked only", [40.0], choked=False)
    see("cracked only 1", 12.0, "BAB", "B")
    see("cracked only 1", 25.0, "BAB", "B")
    return town
