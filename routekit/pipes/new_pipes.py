"""The new pipe that each technique would leave in each run: size, bore, capacity, pull.

One table per technique, in the order of the runs. NaN means that it is not known, or that no such
pipe is made.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from routekit.arrays import Flags, Floats, Texts, as_floats
from routekit.layers.assumed import FLOW, is_assumed
from routekit.pipes.bursting_class import count_size_steps
from routekit.pipes.capacity import (
    falling_gradient,
    renewed_capacity,
    running_flow,
    running_velocity,
)
from routekit.pipes.expansion import displaced_area, expansion, surface_heave
from routekit.pipes.flow import BASIS_DESIGN, cleansing_velocity, section_flow
from routekit.pipes.friction import find_roughness
from routekit.pipes.liner import LinerDesign, design_liner
from routekit.pipes.pe import (
    allowable_pull,
    bore,
    choose_outside_diameter,
    largest_within,
    made_sizes,
    pipe_mass,
)
from routekit.pipes.pull import LEVELS, PullRuns, estimate_pull, settle_low
from routekit.pipes.section import full_section, girth_diameter
from routekit.pipes.settings import FlowSettings, LinerSettings, PipeSettings, PullSettings
from routekit.settings.declare import Settings, setting
from routekit.techniques import BURSTING, KEEPS_WALL, RECORDS, NewPipe
from routekit.vocabulary import MM_PER_M
from routekit.words.texts import Text, both, fill, say

_OPEN_CUT_STEPS = 4
_MADE_PER_NOMINAL = 3
"""Made sizes from one nominal size to the next, at most."""
_DETERIORATED_GRADE = 3
"""Structural grade from which the host is taken as unable to bear the soil; source `house`."""


class PlanSettings(Settings):
    """Everything that shapes a new pipe."""

    flow: FlowSettings = setting(FlowSettings, unit="-", source="study", text="Flow.")
    pipe: PipeSettings = setting(PipeSettings, unit="-", source="study", text="PE pipe.")
    pull: PullSettings = setting(PullSettings, unit="-", source="study", text="Pull force.")
    liner: LinerSettings = setting(LinerSettings, unit="-", source="study", text="Liner.")
    slip_outside_share: float = setting(
        0.90,
        unit="share of bore",
        source="practice",
        gt=0,
        lt=1,
        text="Largest outside diameter of a slipped pipe.",
    )
    max_steps_up: int = setting(
        2,
        unit="sizes",
        source="najafi_p240",
        ge=0,
        text="Nominal sizes of upsizing that are looked at.",
    )


def build_plans(cases: pd.DataFrame, settings: PlanSettings) -> dict[str, pd.DataFrame]:
    """Plan the new pipe of every technique in every run.

    Parameters
    ----------
    cases : DataFrame
        diameter_mm, height_mm, shape, material, outside_mm (of the old pipe), gradient,
        depth_max_m, depth_min_m, length_m, bend_sum_deg, structural_grade, deformation_share, and
        the columns of `routekit.pipes.capacity.build_flow`.
    settings : PlanSettings

    Returns
    -------
    dict of str to DataFrame
        By technique code. All tables have new_outside_mm, new_bore_mm, capacity_l_s, velocity_m_s,
        pipe_kg_m, wall_mm, new_pipe (text), and from the design flow filling and
        running_velocity_m_s (that at full bore where no design flow is known), with
        cleansing_velocity_m_s, the velocity wanted, and max_velocity_m_s, the most it should be.
        The close-fit pipe adds needed_wall_mm (by the loads of a liner); bursting adds sdr,
        size_steps, expansion_mm, heave_mm and the pull on pipe and machine.
    """
    pipe = settings.pipe
    host = _positive(cases["diameter_mm"])
    round_host = np.where(cases["shape"].astype(str) == "circular", host, np.nan)
    slip = largest_within(settings.slip_outside_share * round_host)
    same = choose_outside_diameter(round_host)
    larger = _size_for_flow(cases, round_host, settings)
    relaid = relaid_outside(cases, settings.flow, pipe)
    liner = _plan_liner(cases, settings)
    mended = _plan_old(cases, "capacity_sound_l_s", say("Short liners at the faults"))
    plans: dict[NewPipe, pd.DataFrame] = {
        "old pipe": _plan_old(cases, "capacity_now_l_s", ""),
        "kept clear": _plan_old(cases, "capacity_sound_l_s", say("Old pipe, roots cut")),
        # The short liners of a repair are as thick as a whole one would be.
        "mended": mended.assign(wall_mm=liner["wall_mm"]),
        "cured liner": liner,
        "close-fit liner": _plan_close_fit(cases, round_host, settings),
        "slipped pipe": _plan_pe(cases, slip, pipe.liner_sdr, say("Slipped PE"), settings),
        "burst, same size": _plan_burst(cases, same, settings),
        "burst, larger": _plan_burst(cases, larger, settings).assign(
            is_size_assumed=_is_size_assumed(cases)
        ),
        "re-laid": _plan_pe(cases, relaid, pipe.sdr, say("PE laid in a trench"), settings),
    }
    run = {kind: _let_run(plan, kind, cases, settings.flow) for kind, plan in plans.items()}
    return {one.code: run[one.new_pipe] for one in RECORDS}


WALL_AFTER: dict[NewPipe, str] = {"cured liner": "lined"}
"""Whose roughness a new pipe has, where not that of PE."""


def _let_run(
    plan: pd.DataFrame, kind: NewPipe, cases: pd.DataFrame, flow: FlowSettings
) -> pd.DataFrame:
    """Add how deep and fast the renewed run flows, and how fast it should to keep clean.

    Only round bores have a filling; a liner and a repair keep the shape of the host, and an egg or
    a rectangle has its velocity at the design flow.
    """
    is_round = cases["shape"].astype(str).to_numpy() == "circular"
    bore_left = _positive(plan["new_bore_mm"])
    if kind in KEEPS_WALL:
        rough = find_roughness(_texts(cases["material"]), "sound", flow)
    else:
        rough = find_roughness(WALL_AFTER.get(kind, "pe"), flow.new_condition, flow)
        is_round = is_round | (kind == "re-laid")
    filling, velocity = running_flow(np.where(is_round, bore_left, np.nan), cases, rough, flow)
    host, height = (_positive(cases[name]) for name in ("diameter_mm", "height_mm"))
    sizes = (bore_left, height - (host - bore_left))
    other = running_velocity(_texts(cases["shape"]), sizes, cases, rough, flow)
    velocity = np.where(is_round, velocity, other)
    full = plan["velocity_m_s"].to_numpy(dtype=float)
    slope = falling_gradient(cases["gradient"])
    return plan.assign(
        filling=filling,
        running_velocity_m_s=np.where(np.isnan(velocity), full, velocity),
        cleansing_velocity_m_s=cleansing_velocity(bore_left, slope, flow),
        max_velocity_m_s=flow.max_velocity_m_s,
    )


def _texts(values: pd.Series) -> Texts:
    """Column as plain texts."""
    return np.asarray(values.astype(str).to_numpy(dtype=object))


def _positive(values: pd.Series) -> Floats:
    """Numbers above zero; all else is not known."""
    (number,) = as_floats(values)
    return np.where(number > 0, number, np.nan)


def _size_for_flow(cases: pd.DataFrame, host: Floats, settings: PlanSettings) -> Floats:
    """Find the smallest upsized pipe that carries the required flow; else the largest allowed.

    Pipes are made in finer steps than the nominal sizes by which upsizing is counted. Where even
    the next made size is more than is allowed it is given all the same: its check fails.
    """
    required = cases["required_l_s"].to_numpy(dtype=float)
    chosen = np.full(len(cases), np.nan)
    for step in range(_MADE_PER_NOMINAL * (settings.max_steps_up + 1), 0, -1):
        outside = choose_outside_diameter(host, steps_up=step)
        allowed = count_size_steps(host, outside) <= settings.max_steps_up
        flow, _ = renewed_capacity(
            bore(outside, settings.pipe.sdr), cases["gradient"], "pe", settings.flow
        )
        enough = (flow >= required) | np.isnan(required) | np.isnan(flow)
        chosen = np.where(allowed & (enough | np.isnan(chosen)), outside, chosen)
    return np.where(np.isnan(chosen), choose_outside_diameter(host, steps_up=1), chosen)


def _is_size_assumed(cases: pd.DataFrame) -> Flags:
    """Tell where no design flow and fall say how large a pipe must be: its size is assumed."""
    slope = falling_gradient(cases["gradient"])
    return np.asarray(np.isnan(slope) | np.isnan(_positive(cases["design_flow_l_s"])))


def relaid_outside(cases: pd.DataFrame, flow_settings: FlowSettings, pipe: PipeSettings) -> Floats:
    """Find the smallest made pipe whose bore and capacity are no less than what is asked for.

    Parameters
    ----------
    cases : DataFrame, n rows
        diameter_mm, gradient, required_l_s; shape and height_mm of bores that are not round.
    flow_settings : FlowSettings
    pipe : PipeSettings

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        Outside diameter of the pipe that open cut lays, mm; NaN where the old bore is not known,
        and where no pipe is made that is large enough.

    Raises
    ------
    KeyError
        If a table lacks a column that is named above.

    Examples
    --------
    >>> cases = pd.DataFrame({"diameter_mm": [250.0], "gradient": [0.01], "required_l_s": [40.0]})
    >>> relaid_outside(cases, FlowSettings(), PipeSettings())
    array([250.])
    """
    host, slope = _positive(cases["diameter_mm"]), cases["gradient"].to_numpy(dtype=float)
    required, least = cases["required_l_s"].to_numpy(dtype=float), _round_bore(cases)
    chosen = np.full(len(cases), np.nan)
    left = np.flatnonzero(~np.isnan(host))
    for step in range(len(made_sizes())):
        outside = choose_outside_diameter(host[left], steps_up=step)
        inside = bore(outside, pipe.sdr)
        flow, _ = renewed_capacity(inside, slope[left], "pe", flow_settings)
        # Where the flow is not known the new bore is at least as large as the old one.
        unknown = np.isnan(flow) | np.isnan(required[left])
        enough = np.where(unknown, inside >= least[left], flow >= required[left])
        chosen[left[enough]] = outside[enough]
        left = left[~enough & ~np.isnan(outside)]
        if not left.size:
            break
    return chosen


def _round_bore(runs: pd.DataFrame) -> Floats:
    """Find the round bore, mm, that is as wide as each bore, and of no smaller section.

    Without columns of shape and height, and where these are not known, the width stands for it.
    """
    width = _positive(runs["diameter_mm"])
    if not {"shape", "height_mm"} <= set(runs):
        return width
    height = _positive(runs["height_mm"])
    area_m2 = full_section(_texts(runs["shape"]), width, height).area_m2
    return np.fmax(width, MM_PER_M * np.sqrt(4 * area_m2 / np.pi))


def lay_open_cut(
    runs: pd.DataFrame, flow: pd.DataFrame, flow_settings: FlowSettings, pipe: PipeSettings
) -> pd.DataFrame:
    """Find the pipe that a trench is dug for, and the largest that it may have to be.

    Parameters
    ----------
    runs : DataFrame, n rows
        diameter_mm, gradient, assumed.
    flow : DataFrame, n rows
        From `routekit.pipes.capacity.build_flow`.
    flow_settings : FlowSettings
    pipe : PipeSettings

    Returns
    -------
    pandas.DataFrame
        Per run: outside_mm, of the pipe laid, and the largest made where none is large enough;
        widest_mm, where the required flow or the fall is not settled, of the pipe four made sizes
        up, or of the one laid where that is larger, else NaN.

    Raises
    ------
    KeyError
        If a table lacks a column that is named above.

    Examples
    --------
    Without a design flow the pipe laid may have to be up to four made sizes larger:

    >>> runs = pd.DataFrame({"diameter_mm": [250.0], "gradient": [0.01], "assumed": [""]})
    >>> flow = pd.DataFrame({"required_l_s": [40.0], "required_basis": ["design flow"]})
    >>> lay_open_cut(runs, flow, FlowSettings(), PipeSettings()).to_numpy().tolist()
    [[250.0, nan]]
    >>> flow["required_basis"] = "no worse than the sound old pipe"
    >>> lay_open_cut(runs, flow, FlowSettings(), PipeSettings()).to_numpy().tolist()
    [[250.0, 400.0]]
    """
    required = flow["required_l_s"].to_numpy()
    laid = relaid_outside(runs.assign(required_l_s=required), flow_settings, pipe)
    host = _round_bore(runs)
    steps = [choose_outside_diameter(host, steps_up=step) for step in range(_OPEN_CUT_STEPS + 1)]
    laid = np.where(np.isnan(laid) & ~np.isnan(host), made_sizes()[-1], laid)
    widest = np.fmax(np.fmax.reduce(steps), laid)
    is_asked = (flow["required_basis"] == BASIS_DESIGN).to_numpy(dtype=bool)
    slope = falling_gradient(runs["gradient"].to_numpy(dtype=float))
    is_settled = is_asked & ~np.isnan(slope) & ~is_assumed(runs["assumed"], FLOW)
    return pd.DataFrame(
        {
            "outside_mm": laid,
            "widest_mm": np.where(is_settled, np.nan, widest),
        }
    )


def _plan_old(cases: pd.DataFrame, capacity: str, text: str) -> pd.DataFrame:
    """Keep the old bore."""
    return pd.DataFrame(
        {
            "new_outside_mm": np.nan,
            "new_bore_mm": cases["diameter_mm"].to_numpy(dtype=float),
            "capacity_l_s": cases[capacity].to_numpy(dtype=float),
            "velocity_m_s": cases["velocity_sound_m_s"].to_numpy(dtype=float),
            "pipe_kg_m": 0.0,
            "wall_mm": np.nan,
            **both("new_pipe", fill([text] * len(cases))),
        }
    )


def _plan_pe(
    cases: pd.DataFrame, outside: Floats, sdr: float, name: Text, settings: PlanSettings
) -> pd.DataFrame:
    """Put a PE pipe of a given size into each run."""
    inside = bore(outside, sdr)
    flow, velocity = renewed_capacity(inside, cases["gradient"], "pe", settings.flow)
    # Few sizes are made: each is named once.
    _, first, made = np.unique(outside, return_index=True, return_inverse=True)
    names = [
        say(
            "{pipe}, OD {outside:.0f} SDR {sdr:g}, bore {bore:.0f} mm",
            pipe=name,
            outside=size,
            sdr=sdr,
            bore=hole,
        )
        if np.isfinite(hole)
        else ""
        for size, hole in zip(outside[first], inside[first], strict=True)
    ]
    return pd.DataFrame(
        {
            "new_outside_mm": outside,
            "new_bore_mm": inside,
            "capacity_l_s": flow,
            "velocity_m_s": velocity,
            "pipe_kg_m": pipe_mass(outside, sdr, settings.pipe),
            "wall_mm": (outside - inside) / 2,
            **both("new_pipe", fill(names)[made]),
        }
    )


def _plan_close_fit(cases: pd.DataFrame, host: Floats, settings: PlanSettings) -> pd.DataFrame:
    """Press a PE pipe made to the bore against the old wall.

    Wall = bore / SDR, as for PE pipe, whatever sizes are otherwise made. Source: arithmetic.
    """
    sdr = settings.pipe.liner_sdr
    wall = host / sdr
    inside = host - 2 * wall
    flow, velocity = renewed_capacity(inside, cases["gradient"], "pe", settings.flow)
    text = [
        say("Close-fit PE liner, SDR {sdr:g}, bore {bore:.0f} mm", sdr=sdr, bore=hole)
        if np.isfinite(hole)
        else ""
        for hole in inside
    ]
    return pd.DataFrame(
        {
            "new_outside_mm": host,
            "new_bore_mm": inside,
            "capacity_l_s": flow,
            "velocity_m_s": velocity,
            "pipe_kg_m": np.pi * wall * (host - wall) / MM_PER_M**2 * settings.pipe.density_kg_m3,
            "wall_mm": wall,
            "needed_wall_mm": _bearing_wall(cases, host, settings.liner),
            **both("new_pipe", text),
        }
    )


def _bearing_wall(cases: pd.DataFrame, host: Floats, liner: LinerSettings) -> Floats:
    """Find the wall that a close-fit PE pipe needs, mm: by the rules and loads of a cured liner."""
    pe = liner.model_copy(
        update={
            "modulus_mpa": liner.pe_modulus_mpa,
            "modulus_retention_share": liner.pe_modulus_retention_share,
            "strength_mpa": liner.pe_strength_mpa,
            "strength_retention_share": liner.pe_strength_retention_share,
        }
    )
    return _design(cases, host, pe).needed_mm


def _plan_burst(cases: pd.DataFrame, outside: Floats, settings: PlanSettings) -> pd.DataFrame:
    """Burst the run and pull a PE pipe in: size, expansion and pull for the run by itself."""
    pipe = settings.pipe
    plan = _plan_pe(cases, outside, pipe.sdr, say("PE by bursting"), settings)
    host = _positive(cases["diameter_mm"])
    wall = (cases["outside_mm"].to_numpy(dtype=float) - host) / 2
    # The soil presses most where the run lies deepest, and rises most where it lies shallowest.
    axis, shallow = (
        cases[name].to_numpy(dtype=float) - host / MM_PER_M / 2
        for name in ("depth_max_m", "depth_min_m")
    )
    drawn = PullRuns(
        length_m=cases["length_m"].to_numpy(dtype=float),
        host_bore_mm=host,
        host_wall_mm=np.where(wall > 0, wall, np.nan),
        host_material=_texts(cases["material"]),
        outside_mm=outside,
        sdr=np.full(len(cases), pipe.sdr),
        axis_depth_m=axis,
    )
    pull, least = (
        estimate_pull(
            drawn._replace(bend_deg=cases[name].to_numpy(dtype=float)), pipe, settings.pull
        )
        for name in ("bend_sum_deg", "known_bend_sum_deg")
    )
    allowable = allowable_pull(outside, np.full(len(cases), pipe.sdr), pipe)
    machine = np.full(len(cases), settings.pull.machine_limit_kn)
    settled = {
        "pull": settle_low(pull.pipe_kn, least.pipe_kn, allowable),
        "machine": settle_low(pull.machine_kn, least.machine_kn, machine),
    }
    forces = {
        f"{side}_{level}_kn": force[:, place]
        for side, force in settled.items()
        for place, level in enumerate(LEVELS)
    }
    return plan.assign(
        sdr=pipe.sdr,
        size_steps=count_size_steps(host, outside),
        expansion_mm=expansion(host, outside, pipe.overcut_mm),
        heave_mm=surface_heave(
            displaced_area(host, outside, pipe.overcut_mm),
            np.where(shallow > 0, shallow, np.nan),
            trough_ratio=settings.pull.trough_ratio,
        ),
        pull_allowable_kn=allowable,
        machine_limit_kn=machine,
        **forces,
    )


def _plan_liner(cases: pd.DataFrame, settings: PlanSettings) -> pd.DataFrame:
    """Line the run in place: wall by ASTM F1216 Appendix X1, bore and capacity left.

    A host of structural grade 3 or worse, or of unknown grade, is taken as fully deteriorated; the
    wall of a host that is no circle is that of a circle of its larger dimension, not known where
    its height is not. Mass goes by the perimeter of the host. A liner that fills the host on one
    side leaves no bore: NaN.
    """
    width, height = _positive(cases["diameter_mm"]), _positive(cases["height_mm"])
    shape = _texts(cases["shape"])
    height = np.where((shape == "circular") & np.isnan(height), width, height)
    wall = _design(cases, np.maximum(width, height), settings.liner).wall_mm
    girth = girth_diameter(shape, width, height)
    is_open = np.minimum(width, height) > 2 * wall
    bore_left, height_left = (
        np.where(is_open, side - 2 * wall, np.nan) for side in (width, height)
    )
    section = full_section(shape, bore_left, height_left)
    rough = find_roughness("lined", settings.flow.new_condition, settings.flow)
    flow = section_flow(section, falling_gradient(cases["gradient"]), rough, settings.flow)
    text = [
        say("CIPP liner, wall {wall:.1f} mm, bore {bore:.0f} mm", wall=t, bore=b)
        if np.isfinite(b)
        else ""
        for t, b in zip(wall, bore_left, strict=True)
    ]
    return pd.DataFrame(
        {
            "new_outside_mm": width,
            "new_bore_mm": bore_left,
            "capacity_l_s": flow.flow_l_s,
            "velocity_m_s": flow.velocity_m_s,
            "pipe_kg_m": np.pi * (girth - wall) * wall * settings.liner.density_kg_m3 / MM_PER_M**2,
            "wall_mm": wall,
            **both("new_pipe", text),
        }
    )


def _design(cases: pd.DataFrame, size_mm: Floats, liner: LinerSettings) -> LinerDesign:
    """Design what is put against the wall of each host by its depth, grade and deformation."""
    grade = cases["structural_grade"].to_numpy(dtype=float)
    oval = 100 * cases["deformation_share"].to_numpy(dtype=float)
    return design_liner(
        size_mm,
        cases["depth_max_m"].to_numpy(dtype=float),
        ~(grade < _DETERIORATED_GRADE),
        liner,
        ovality_percent=np.where(oval > 0, np.minimum(oval, 49.0), np.nan),
    )


def resize_bursting(
    plans: dict[str, pd.DataFrame],
    cases: pd.DataFrame,
    outside_mm: Floats,
    settings: PlanSettings,
) -> dict[str, pd.DataFrame]:
    """Give runs that are pulled in a larger size than their own the plan of that size.

    Parameters
    ----------
    plans : dict of str to DataFrame
        From `build_plans`.
    cases : DataFrame
        As given to `build_plans`.
    outside_mm : numpy.ndarray of float, shape (n,)
        Outside diameter of each run's string, mm; NaN outside strings.
    settings : PlanSettings

    Returns
    -------
    dict of str to DataFrame
        The plans; that of bursting to a larger size is in the size of the string wherever this is
        more than the same size.
    """
    same_size, larger = BURSTING
    same = plans[same_size]["new_outside_mm"].to_numpy(dtype=float)
    own = plans[larger]["new_outside_mm"].to_numpy(dtype=float)
    outside = np.where(outside_mm > same, outside_mm, own)
    plan = _plan_burst(cases, outside, settings).assign(
        # In a string the size is chosen: the run is given it whatever must flow.
        is_size_assumed=_is_size_assumed(cases) & ~(outside_mm > same)
    )
    return plans | {larger: _let_run(plan, "burst, larger", cases, settings.flow)}
