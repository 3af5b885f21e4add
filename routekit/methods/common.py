"""Checks that several techniques share."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from routekit.arrays import Floats
from routekit.layers.assumed import (
    BORE,
    DEFAULT_DEPTH,
    DEPTH,
    FLOW,
    INVERTS,
    JOINED,
    SERVICES,
    SIZE,
    WIDTH,
)
from routekit.layers.assumed import LEAST_DISTANCE as STEM_DISTANCE
from routekit.methods.checks import (
    CAUTION,
    FAIL,
    PASS,
    UNKNOWN,
    Check,
    ask_arborist,
    at_least,
    at_most,
    caution_only,
    must_not,
    rest_on,
)
from routekit.trees.least_distance import MAY_BE_WITHIN, WITHIN
from routekit.vocabulary import MM_PER_M, SURVEYS
from routekit.words.texts import name_check, say

CAPACITY = name_check("Capacity after the works")
"""Name of the check of flow, which texts turn round: what must flow, not what can."""

NOT_INSPECTED = name_check("Defects not known (not inspected)")
"""Name of the check that fails only because nobody has looked."""

NO_DIGGING = name_check("Clear distance from digging to a stem")
"""Name of the check that nothing is dug near a stem."""


LEAST_DISTANCE = "Digs nearer to a stem than the least distance"
"""Name of the check of the least distance that a regime names."""


def column(cases: pd.DataFrame, name: str) -> Floats:
    """Take a column as floats; NaN is unknown."""
    return np.asarray(cases[name].to_numpy(dtype=float, na_value=np.nan))


def known_flag(cases: pd.DataFrame, name: str) -> Floats:
    """Take a column of yes and no as 1 and 0; what is missing is NaN."""
    return np.asarray(cases[name].astype("boolean").to_numpy(dtype=float, na_value=np.nan))


def known_or_least(cases: pd.DataFrame, name: str, limit: float | Floats) -> Floats:
    """Take a size that must not exceed a limit: where it is not known, what it is at least.

    What it is at least settles only that the limit is exceeded: up to the limit it stays NaN.
    """
    value, least = column(cases, name), column(cases, f"least_{name}")
    return np.where(np.isnan(value) & (least > limit), least, value)


def as_flag(count: Floats) -> Floats:
    """Turn counts into flags: 1 where there is any, NaN where it is unknown."""
    return np.where(np.isnan(count), np.nan, (count > 0).astype(float))


def known_harm(cases: pd.DataFrame, kind: str) -> Floats:
    """Tell where a trench harms trees: 1, 0 or NaN where its width is not known.

    What even the least trench would harm is known in any case.
    """
    count, least = column(cases, f"n_{kind}"), column(cases, f"least_{kind}")
    return as_flag(np.where(np.isnan(count) & (least > 0), least, count))


def rest_on_width(
    check: Check, cases: pd.DataFrame, harm: str, *, settled: ArrayLike = False
) -> Check:
    """Let a check of root zones rest on the size only where a wider trench could meet a zone.

    It rests on the flow where the trench of a larger pipe would do the harm (`trees`, `major`,
    `structural`, `within_least`) that the one laid does not, and no width settles it (`settled`).
    """
    is_clear = column(cases, "n_reach_trees") == 0
    held = rest_on(check, *SIZE, where=~is_clear)
    is_wider = (known_flag(cases, f"is_wider_{harm}") == 1) & ~np.asarray(settled, dtype=bool)
    held = rest_on(held, *WIDTH, where=is_wider)
    return rest_on(
        held,
        *SIZE,
        level=PASS,
        where=is_clear,
        note="no root zone within reach of the largest bore it may have",
    )


def no_digging_near_stems(cases: pd.DataFrame, *, prefix: str = "") -> Check:
    """Check that nothing is dug near a stem, neither by machine nor by hand.

    Judged by `routekit.trees.near_stem.judge_digging`: columns stem_face_m, is_near_stem and
    is_stem_loose of the cases, with a prefix for what is dug: none for the trench, `dig_` for the
    pits and digs of bursting, `joining_` for those at connections, `spot_` for those at collapses.
    """
    near = known_flag(cases, f"{prefix}is_near_stem")
    face = column(cases, f"{prefix}stem_face_m")
    loose = known_flag(cases, f"{prefix}is_stem_loose") == 1
    check = at_least(
        NO_DIGGING,
        face,
        column(cases, "no_dig_m"),
        unit="m",
        source="njug4",
        survey="trees",
        remedy="Have stems and pipe surveyed where digging comes near trees.",
    )
    verdict = np.select([near == 1, np.isnan(near), loose], [FAIL, UNKNOWN, CAUTION], PASS)
    return _rest_on_joined(
        replace(check, verdict=verdict.astype(np.int8)), cases, prefix, "near_stem"
    )


def may_be_barred(check: Check, cases: pd.DataFrame) -> Check:
    """Let a check of bans pass with caution at best where a tree may bar what is dug.

    That is not known of a tree of which nobody says whether it is protected or a veteran.
    """
    is_open = (check.verdict == PASS) & (known_flag(cases, "may_be_barred") == 1)
    return replace(check, verdict=np.where(is_open, CAUTION, check.verdict).astype(np.int8))


def _rest_on_joined(check: Check, cases: pd.DataFrame, prefix: str, flag: str) -> Check:
    """Let no check of digs at connections pass where one that names no run may be dug too near."""
    if prefix not in ("dig_", "joining_"):
        return check
    return rest_on(check, JOINED, where=known_flag(cases, f"may_join_{flag}") == 1)


def keeps_least_distance(cases: pd.DataFrame, *, prefix: str = "") -> Check:
    """Check that what is dug in a root zone keeps the least distance that the regime names.

    Nearer than it the rule is broken: it takes an exception, whatever the severity. Judged by
    `routekit.trees.least_distance`; a regime without such a rule is never broken. The prefix is as
    for `no_digging_near_stems`.
    """
    kept = ask_arborist(
        must_not(
            LEAST_DISTANCE,
            known_flag(cases, f"{prefix}{WITHIN}"),
            source="least_distance",
            severity=CAUTION,
            remedy="Digging nearer to a stem than the least distance needs an exception: agree it "
            "with the arborist and the owner of the tree before the works, with root curtain or "
            "vacuum excavation.",
            survey="trees",
        )
    )
    in_doubt = known_flag(cases, f"{prefix}{MAY_BE_WITHIN}") == 1
    kept = rest_on(kept, STEM_DISTANCE, where=in_doubt)
    return _rest_on_joined(kept, cases, prefix, "within_least")


def capacity(cases: pd.DataFrame, plan: pd.DataFrame) -> Check:
    """Check that the renewed run carries the required flow."""
    required = column(cases, "required_l_s")
    tolerance = column(cases, "capacity_tolerance_share")
    check = at_least(
        CAPACITY,
        column(plan, "capacity_l_s"),
        required * (1 - tolerance),
        caution=required,
        unit="l/s",
        source="colebrook_white",
        remedy="Confirm the design flow; a larger or smoother pipe would carry more.",
        survey="levels",
    )

    def explain(run: int) -> str:
        """Say what the limit is of one run's required flow."""
        return say(
            "{required:.1f} l/s required, less {share:.0f} %",
            required=required[run],
            share=100 * tolerance[run],
        )

    return replace(rest_on(check, *FLOW), note=explain)


def cleansing(plan: pd.DataFrame) -> Check:
    """Check that the renewed run keeps itself clean; a caution at most.

    The velocity is that at the design flow, at full bore where none is known. It is wanted once a
    day: a design flow that comes with storms only flatters it.
    """
    check = caution_only(
        at_least(
            "Self-cleansing velocity",
            column(plan, "running_velocity_m_s"),
            column(plan, "cleansing_velocity_m_s"),
            unit="m/s",
            source="en752_cleansing",
            remedy="Plan regular flushing; a smaller bore or more flow would keep it clean.",
            survey="levels",
        )
    )
    return rest_on(check, *FLOW)


def rest_on_depth(check: Check, *more: str, where: ArrayLike | None = None) -> Check:
    """Let a check rest on the depth: unknown where nothing tells it but the study's default."""
    check = rest_on(check, *DEPTH, *more, where=where)
    return rest_on(check, DEFAULT_DEPTH, level=UNKNOWN, where=where)


def steepest(plan: pd.DataFrame) -> Check:
    """Check that the renewed run does not wear or shake itself loose; a caution at most."""
    check = caution_only(
        at_most(
            "Full-bore velocity",
            column(plan, "velocity_m_s"),
            column(plan, "max_velocity_m_s"),
            unit="m/s",
            source="ten_states",
            remedy="Survey the levels; plan for wear and anchor the pipe; a drop at a manhole "
            "would reduce the gradient of the run.",
            survey="levels",
        )
    )
    return rest_on(check, *BORE)


def falls(cases: pd.DataFrame, max_ponding_share: float) -> Check:
    """Check that the run falls towards its outlet: a pipe that keeps the line keeps a backfall.

    Water stands as deep at the lower end as the run falls backwards, so it fails by the limit of
    ponding. Where the way of flow is not known the fall is not known either.
    """
    fall, error = column(cases, "fall_m"), column(cases, "level_error_m")
    allowed = max_ponding_share * column(cases, "height_mm") / MM_PER_M
    limit = np.where(fall >= error, 0.0, -allowed)
    check = at_least(
        "Fall from end to end (a backfall would remain)",
        fall,
        limit,
        caution=error,
        unit="m",
        source="practice",
        survey="levels",
        remedy="Survey the levels and confirm the direction of flow; where the run falls "
        "backwards, re-lay it to a new gradient in open cut.",
    )
    return rest_on(check, *INVERTS)


def no_collapse(cases: pd.DataFrame, *, severity: int = FAIL) -> Check:
    """Check that the bore is not collapsed."""
    return must_not(
        "Collapsed",
        as_flag(column(cases, "collapses")),
        source="en13508_2",
        severity=severity,
        remedy="Inspect; where the pipe has collapsed, dig there first.",
    )


def no_foreign_pipe(cases: pd.DataFrame) -> Check:
    """Check that no other pipe or cable passes through the bore."""
    return must_not(
        "Foreign pipe or cable through the bore",
        as_flag(column(cases, "foreign_pipes")),
        source="en13508_2",
        remedy="Inspect; have the owner divert the service.",
    )


def known_clearance(cases: pd.DataFrame, side: str, limit: float | Floats) -> Floats:
    """Take the least clear distance to services on one side (`service`: on any), m.

    Where a service near has no known depth or size, or no layer of services was given, what is
    known settles only that a limit is missed: from the limit up it stays NaN.
    """
    clearance = column(cases, f"{side}_clearance_m")
    count = "n_services_unknown" if side == "service" else f"n_{side}_unknown"
    blind = (known_flag(cases, "has_services") != 1) | ~(column(cases, count) == 0)
    return np.where(blind & ~(clearance < limit), np.nan, clearance)


def clear_of_services(
    cases: pd.DataFrame,
    side: str,
    name: str,
    limit: float | Floats,
    *,
    caution: ArrayLike | None = None,
    source: str,
    remedy: str,
) -> Check:
    """Check the clear distance to services on one side (`service`: on any), by depth and size."""
    clearance = known_clearance(cases, side, limit)
    check = at_least(
        name,
        clearance,
        limit,
        caution=caution,
        unit="m",
        source=source,
        remedy=remedy,
        survey="services",
    )
    return _rest_on_services(check, cases, side, clearance)


def clear_of_water(cases: pd.DataFrame, limit: float) -> Check:
    """Check the clear distance to services that carry water, or may; a caution at most."""
    return caution_only(
        clear_of_services(
            cases,
            "water",
            "Clear distance to water mains and services",
            limit,
            source="carmel_33_159",
            remedy="Expose the water mains and services before the head passes.",
        )
    )


def no_service_inside(cases: pd.DataFrame) -> Check:
    """Check that no service is recorded where the pipe is: one of the two records is wrong."""
    clearance = known_clearance(cases, "service", 0.0)
    check = must_not(
        "Service recorded inside or touching the pipe",
        np.where(np.isnan(clearance), np.nan, (clearance < 0).astype(float)),
        source="house",
        remedy="A service is recorded inside or touching the pipe: locate it first.",
        survey="services",
    )
    return _rest_on_services(check, cases, "service", clearance)


def _rest_on_services(check: Check, cases: pd.DataFrame, side: str, clearance: Floats) -> Check:
    """Let a check rest on depth and size of pipe and services, where a clearance is measured."""
    held = rest_on_depth(check, *SIZE, where=np.isfinite(clearance))
    group = "services" if side == "service" else side
    return rest_on(held, *SERVICES, where=column(cases, f"n_{group}_assumed") > 0)


def ponding(cases: pd.DataFrame, limit: float, caution: float) -> Check:
    """Check that no deep sag would be kept in the new pipe."""
    return at_most(
        "Standing water (the sag would remain)",
        known_or_least(cases, "ponding_share", limit),
        limit,
        caution=caution,
        unit="share of height",
        source="practice",
        remedy="Inspect, or survey the invert along the run.",
    )


def deformation(cases: pd.DataFrame, limit: float, caution: float | None = None) -> Check:
    """Check how far the bore is out of round."""
    return at_most(
        "Deformation of the host pipe",
        known_or_least(cases, "deformation_share", limit),
        limit,
        caution=caution,
        unit="share",
        source="practice",
        remedy="Inspect and measure the deformation.",
    )


def joint_offset(cases: pd.DataFrame, limit: float, caution: float | None = None) -> Check:
    """Check how far joints stand sideways into the bore."""
    bore = column(cases, "diameter_mm")
    share = known_or_least(cases, "joint_radial_mm", limit * bore) / bore
    check = at_most(
        "Radial displacement at joints",
        share,
        limit,
        caution=caution,
        unit="share of bore",
        source="practice",
        remedy="Inspect and measure the displacement; grinding may remove it.",
    )
    return rest_on(check, *SIZE, where=share != 0)


def bends(cases: pd.DataFrame, limit: float, *, caution: float | None = None, source: str) -> Check:
    """Check the sharpest bend within the run."""
    return at_most(
        "Bend within the run",
        known_or_least(cases, "bend_deg", limit),
        limit,
        caution=caution,
        unit="deg",
        source=source,
        remedy="Dig at the bend, or split the run there; a liner wrinkles in it unless it is "
        "flexible.",
    )


def room_in_digs(cases: pd.DataFrame, *, prefix: str) -> Check:
    """Check that a person has room in the small digs, and where they are deep their support.

    The digs are drawn with it; judged by `routekit.site.dig_depths.judge_room`. The prefix is
    `dig_` for those of bursting, `joining_` for those at connections alone.
    """
    lost = np.isnan(column(cases, "n_connections"))
    side, room = column(cases, f"{prefix}side_m"), column(cases, f"{prefix}room_m")
    check = at_least(
        "Side of the small digs (room for a person, and support where they are deep)",
        np.where(lost, np.nan, side),
        room,
        unit="m",
        source="din4124",
        is_given=True,
        remedy="Make the dig larger: a person stands in it, and it is supported on all sides.",
    )
    # A dig that is deeper after all needs support.
    return rest_on_depth(check, where=np.isfinite(side) & (room == 0))


def reached_by_plant(cases: pd.DataFrame) -> Check:
    """Check that plant gets to both manholes of the run; a caution at most.

    Unknown where no surface is mapped near, or none on which plant can stand, and where the nearest
    such one is of a kind that is assumed. Whose land lies between is in no layer.
    """
    found, least, mapped = (
        column(cases, name) for name in ("access_m", "least_access_m", "mapped_m")
    )
    reach = column(cases, "access_reach_m")
    is_settled = (found <= reach) | ((least > reach) & (mapped <= reach))
    distance = np.where(is_settled, found, np.nan)
    return caution_only(
        at_most(
            "Way for plant from the nearest mapped carriageway or parking",
            distance,
            reach,
            unit="m",
            source="practice",
            remedy="Find a way for the plant to the farther manhole, and ask the owners of any "
            "private land in it.",
            survey="access",
        )
    )


def bore_between(cases: pd.DataFrame, low: float, high: float, *, source: str) -> list[Check]:
    """Check the host bore against the least and the largest."""
    bore = column(cases, "diameter_mm")
    remedy = "Measure the bore."
    checks = [
        at_least(
            "Host bore, minimum", bore, low, unit="mm", source=source, remedy=remedy, is_given=True
        ),
        at_most(
            "Host bore, maximum", bore, high, unit="mm", source=source, remedy=remedy, is_given=True
        ),
    ]
    return [rest_on(check, *SIZE) for check in checks]


def is_circular(cases: pd.DataFrame) -> Check:
    """Check that the host is circular."""
    shape = cases["shape"].astype(object).where(cases["shape"].notna(), "unknown").to_numpy()
    unclear = np.isin(shape.astype(str), ["other", "unknown"])
    flag = np.select([shape == "circular", unclear], [0.0, np.nan], 1.0)
    remedy = "Confirm the shape of the bore."
    return rest_on(must_not("Not circular", flag, source="practice", remedy=remedy), "shape")


def needs_inspection(cases: pd.DataFrame) -> Check:
    """Check that somebody has looked inside: faults that nobody saw cannot be mended one by one."""
    return must_not(
        NOT_INSPECTED,
        1 - known_flag(cases, "is_inspected"),
        source="practice",
        remedy=SURVEYS["camera"],
    )
