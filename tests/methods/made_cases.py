"""Cases and plans in which every technique passes every check, to be spoilt column by column."""

import numpy as np
import pandas as pd

from routekit.methods.evaluate import evaluate_techniques, find_lister
from routekit.methods.settings import MethodSettings
from routekit.techniques import RECORDS, TECHNIQUES
from routekit.trees.wider import WIDER
from routekit.vocabulary import VERDICTS

COUNTS = (
    "collapses",
    "foreign_pipes",
    "old_linings",
    "old_repairs",
    "missing_wall",
    "voids",
    "running_water",
    "intruding_connections",
    "mend_places",
    "mend_places_unsure",
    "root_count",
    "n_trees",
    "n_major",
    "n_structural",
    "n_services_unknown",
    "n_beside_unknown",
    "n_across_unknown",
    "n_water_unknown",
    "n_connections",
)

SIZES = {
    "diameter_mm": 250.0,
    "length_m": 50.0,
    "chain_length_m": 100.0,
    "n_spots": 1.0,
    "height_mm": 250.0,
    "bend_deg": 0.0,
    "fall_m": 0.3,
    "level_error_m": 0.02,
    "depth_max_m": 2.5,
    "cover_m": 2.0,
    "deformation_share": 0.0,
    "joint_radial_mm": 0.0,
    "ponding_share": 0.0,
    "root_share": 0.0,
    "blocked_share": 0.0,
    "structural_grade": 1.0,
    "operational_grade": 1.0,
    "needs_work": 0.0,
    "service_clearance_m": np.inf,
    "beside_clearance_m": np.inf,
    "across_clearance_m": np.inf,
    "water_clearance_m": np.inf,
    "dig_side_m": 1.7,
    "dig_room_m": 1.2,
    "joining_side_m": 1.7,
    "joining_room_m": 1.2,
    "access_m": 2.0,
    "least_access_m": 2.0,
    "mapped_m": 1.0,
    "chamber_mm": 1000.0,
    "building_distance_m": 10.0,
    "building_clearance_m": 10.0,
    "is_below_groundwater": 0.0,
    "is_hard_ground": 0.0,
    "required_l_s": 30.0,
    "design_flow_l_s": 30.0,
    "capacity_tolerance_share": 0.05,
}

LEAST = {
    f"least_{name}": 0.0
    for name in (
        "bend_deg",
        "deformation_share",
        "joint_radial_mm",
        "ponding_share",
        "root_share",
        "root_count",
    )
}
"""What sizes are at least: they matter only where the size itself is not known."""

NAMES = {"material": "concrete", "shape": "circular"}

NOTHING_ASSUMED = {
    "assumed": "",
    "least_structural": 0.0,
    "least_major": 0.0,
    "catchment_m2": np.nan,
    "n_reach_trees": np.nan,
    "n_services_assumed": 0,
    "n_beside_assumed": 0,
    "n_across_assumed": 0,
    "n_water_assumed": 0,
    "n_loose": 0.0,
    "may_join_near_stem": False,
    "may_join_within_least": False,
    "access_reach_m": 10.0,
    "is_wide_near_stem": False,
    **dict.fromkeys(WIDER, 0.0),
    "no_dig_m": 1.0,
    "has_least_distance": True,
    "is_pit_barred": 0.0,
    "may_be_barred": 0.0,
    "pit_bans": "",
    **{f"{dug}stem_face_m": 5.0 for dug in ("", "dig_", "joining_", "spot_")},
    **{f"{dug}may_be_within_least": False for dug in ("", "dig_", "joining_", "spot_")},
    **{f"{dug}is_stem_loose": False for dug in ("", "dig_", "joining_", "spot_")},
}

FLAGS = {
    "is_inspected": True,
    "has_services": True,
    "has_trees": True,
    "is_chamber_known": True,
    "has_connections": True,
    "is_near_stem": False,
    "dig_is_near_stem": False,
    "joining_is_near_stem": False,
    "spot_is_near_stem": False,
    **{f"{dug}is_within_least": False for dug in ("", "dig_", "joining_", "spot_")},
}

PLAN = {
    "capacity_l_s": 40.0,
    "new_outside_mm": 225.0,
    "wall_mm": 6.0,
    "needed_wall_mm": 5.0,
    "running_velocity_m_s": 1.0,
    "cleansing_velocity_m_s": 0.7,
    "velocity_m_s": 1.2,
    "max_velocity_m_s": 4.6,
    "expansion_mm": 25.0,
    "heave_mm": 5.0,
    "size_steps": 0.0,
    "pull_low_kn": 10.0,
    "pull_mid_kn": 30.0,
    "pull_high_kn": 60.0,
    "pull_allowable_kn": 98.0,
    "machine_low_kn": 50.0,
    "machine_mid_kn": 150.0,
    "machine_high_kn": 300.0,
    "machine_limit_kn": 1000.0,
}

INPUTS = (*COUNTS, *SIZES, *NAMES, *FLAGS, *(f"plan.{name}" for name in PLAN))
"""Every column that a check may look at; those of the plan with its name before them."""


def make(n=1, **changes):
    """Cases and one plan; a change named plan_x changes the plan's x."""
    facts = {**dict.fromkeys(COUNTS, 0.0), **SIZES, **LEAST, **NAMES, **FLAGS, **NOTHING_ASSUMED}
    cases = pd.DataFrame(facts, index=range(n))
    plan = pd.DataFrame(PLAN, index=range(n))
    of_plan = {name[5:]: value for name, value in changes.items() if name.startswith("plan_")}
    cases = cases.assign(
        **{name: value for name, value in changes.items() if not name.startswith("plan_")}
    )
    return cases, plan.assign(**of_plan)


def check_all(cases, plan, settings=None):
    """Checks by technique, the same plan for each."""
    return evaluate_techniques(cases, dict.fromkeys(TECHNIQUES, plan), settings or MethodSettings())


LISTERS = {one.code: (one.limits, find_lister(one)) for one in RECORDS}
"""Technique to its group of settings and the function that lists its checks."""


ASKED_FOR_ALL = ("has_least_distance", "string_length_m", "is_size_assumed")
"""Columns that are looked at as a whole: whether they are there, or hold one value throughout."""


def judge_rows(technique, rows, *, settings=None):
    """Verdicts by check of many cases at once, each with its own changes; see `judge`."""
    found = [None] * len(rows)
    alike = {}
    for place, row in enumerate(rows):
        whole = tuple((name, row.get(name, row.get(f"plan_{name}"))) for name in ASKED_FOR_ALL)
        alike.setdefault(whole, []).append(place)
    for places in alike.values():
        mine = [_usual(technique) | rows[place] for place in places]
        plain, plan = make()
        usual = plain.iloc[0].to_dict() | plan.iloc[0].add_prefix("plan_").to_dict()
        names = dict.fromkeys(name for row in mine for name in row)
        columns = {name: [row.get(name, usual.get(name)) for row in mine] for name in names}
        cases, plan = make(len(mine), **columns)
        checks = evaluate_techniques(
            cases,
            {technique: plan},
            settings or _usual_settings(technique),
            codes=(technique,),
        )[technique]
        for at, place in enumerate(places):
            found[place] = {one.name: VERDICTS[one.verdict[at]] for one in checks}
    return found


def _usual(technique):
    """What a run has besides, for a technique to have something to do."""
    some = {"cut_roots": {"root_count": 1.0}, "local_repair": {"mend_places": 1.0}}
    return some.get(technique, {})


def _usual_settings(technique):
    """Settings under which a technique is an answer."""
    accepted = {"root_cutting": {"is_accepted": True}} if technique == "cut_roots" else {}
    return MethodSettings.model_validate(accepted)


def judge(technique, check=None, *, settings=None, **changes):
    """Verdicts of the first case: of one check, or those that are no pass, by check.

    A run to be repaired has one fault unless told otherwise: there must be something to mend, or
    roots to cut. Cutting them is accepted, unless the settings say more.
    """
    cases, plan = make(**(_usual(technique) | changes))
    group, lister = LISTERS[technique]
    checks = lister(cases, plan, getattr(settings or _usual_settings(technique), group))
    found = {c.name: VERDICTS[c.verdict[0]] for c in checks}
    if check is not None:
        return found[check]
    return {name: verdict for name, verdict in found.items() if verdict != "pass"}
