"""Pull in static bursting: an estimate with its spread, machine and pipe kept apart.

There is no generally accepted procedure for the pull in pipe bursting. The parts of this
estimate (drag, expansion of the soil, breaking of the host) are those named in the literature
(source `ariaratnam_hahn`), the statics are textbook (`burst_statics`, `gibson_anderson`), and
no measured pull was at hand to check it against. Hence low, mid and high, a factor of two or
more apart. The rods pull the head: the machine feels breaking, expansion and drag; the new
pipe, hung behind the head, feels the drag alone.

All drag goes through one rule: a bend multiplies the pull of all that hangs behind it (capstan,
Euler and Eytelwein), be it within a run or at a manhole that is pulled through. And one rule says
at which estimate a limit is passed; checks, strings and every output read it.

Left out: rods in the bends ahead of the head, weight of the rods, gradient (under 1 kN), sand
(the cavity formula is for clay without drainage), steel and iron hosts (the ring formula is for
brittle ones: NaN).
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from routekit.arrays import Flags, Floats, Ints, Texts, as_floats, as_text, check_positive
from routekit.pipes.expansion import head_diameter
from routekit.pipes.pe import N_PER_KN, pipe_mass
from routekit.pipes.published import load_table
from routekit.pipes.settings import PipeSettings, PullSettings
from routekit.vocabulary import GRAVITY_M_S2, MM_PER_M
from routekit.words.texts import message

LEVELS = ("low", "mid", "high")
"""Estimates, in the order of the last axis of every force."""

NOT_OVER, NOT_KNOWN = "no", "not known"
OVER_AT = {
    "low": message("low estimate"),
    "mid": message("mid estimate"),
    "high": message("high estimate"),
}
"""Words for the lowest estimate that is over a limit."""

_SLACK_KN = 1e-9


class PullRuns(NamedTuple):
    """What a pull depends on, each of shape (n,).

    Length in m, old bore, old wall and new outside diameter in mm, SDR, depth of the pipe axis
    in m, sum of the bends in degrees, and host material.
    """

    length_m: ArrayLike
    host_bore_mm: ArrayLike
    host_wall_mm: ArrayLike
    host_material: str | Texts
    outside_mm: ArrayLike
    sdr: ArrayLike
    axis_depth_m: ArrayLike
    bend_deg: ArrayLike = 0.0


class Pull(NamedTuple):
    """Pull in kN, each of shape (n, 3): low, mid, high.

    `pipe_kn` is what the new pipe feels, `machine_kn` what the machine has to give; `drag_kn`,
    `expand_kn` and `burst_kn` are its parts.
    """

    pipe_kn: Floats
    machine_kn: Floats
    drag_kn: Floats
    expand_kn: Floats
    burst_kn: Floats


def host_strength(material: str | Texts) -> Floats:
    """Look up the tensile strength of brittle hosts.

    Parameters
    ----------
    material : str or array of str, shape (n,)
        Host materials.

    Returns
    -------
    numpy.ndarray of float, shape (n, 3)
        Low, mid, high in N/mm2 (source `host_strength`, from memory); NaN for a host that is
        not brittle or not known.
    """
    names = as_text(material, ())
    table = load_table("host_strength.csv")
    strength = np.full((*names.shape, 3), np.nan)
    values = table[["low_mpa", "mid_mpa", "high_mpa"]].to_numpy(dtype=np.float64)
    for name, triple in zip(table["material"], values, strict=True):
        strength = np.where((names == name)[..., np.newaxis], triple, strength)
    return strength


def drag_per_metre(
    outside_mm: ArrayLike, sdr: ArrayLike, pipe: PipeSettings, pull: PullSettings
) -> Floats:
    """Find the drag on each metre of the new pipe in a straight bore.

    Parameters
    ----------
    outside_mm, sdr : array_like of float, shape (n,)
        Outside diameter in mm, and SDR.
    pipe : PipeSettings
        Density.
    pull : PullSettings
        Friction, gripped share, pressure and factor on the drag.

    Returns
    -------
    numpy.ndarray of float, shape (n, 3)
        ``mu (w + pi OD p_n k_c)`` in kN/m: low, mid, high; source `burst_statics`. Times the
        factor that pulls measured on earlier works speak for, 1 where none were.
    """
    outside, ratio = as_floats(outside_mm, sdr)
    check_positive("outside_mm", outside)
    weight = pipe_mass(outside, ratio, pipe) * GRAVITY_M_S2 / N_PER_KN
    grip = np.array(pull.contact_pressure_kpa) * np.array(pull.contact_share)
    surface = np.pi * outside / MM_PER_M
    load = weight[..., np.newaxis] + surface[..., np.newaxis] * grip
    return np.asarray(np.array(pull.friction) * load * np.array(pull.drag_factor))


def capstan(bend_deg: ArrayLike, friction: ArrayLike) -> Floats:
    """Find by how much bends multiply the pull of what hangs behind them.

    Parameters
    ----------
    bend_deg : array_like of float, shape (n,)
        Sum of the changes of direction, in degrees.
    friction : array_like of float, shape (3,)
        Low, mid, high.

    Returns
    -------
    numpy.ndarray of float, shape (n, 3)
        ``e^(mu beta)``; source `capstan`.
    """
    (bend,) = as_floats(bend_deg)
    return np.asarray(np.exp(np.radians(bend)[..., np.newaxis] * np.asarray(friction)))


def list_members(first: Ints, last: Ints) -> tuple[Ints, Ints]:
    """List the runs of strings, one string after the other.

    Parameters
    ----------
    first, last : numpy.ndarray of int, shape (k,)
        First and last run of each string, both counted.

    Returns
    -------
    member : numpy.ndarray of int, shape (sum of the numbers of runs,)
        Runs.
    start : numpy.ndarray of int, shape (k,)
        Where each string begins in `member`.
    """
    count = last - first + 1
    start = np.cumsum(count) - count
    return np.arange(int(count.sum())) - np.repeat(start - first, count), start


def drag_of_strings(
    drag_kn: ArrayLike,
    bend_deg: ArrayLike,
    turn_deg: ArrayLike,
    first: Ints,
    last: Ints,
    friction: ArrayLike,
) -> tuple[Floats, Floats]:
    """Find the drag of strings of consecutive runs, pulled downstream and upstream.

    Parameters
    ----------
    drag_kn : array_like of float, shape (n, 3)
        Drag of the new pipe in each run if it were straight: low, mid, high.
    bend_deg : array_like of float, shape (n,)
        Sum of the bends within each run.
    turn_deg : array_like of float, shape (n,)
        Change of direction at the manhole upstream of each run; not read for the first of a string.
    first, last : numpy.ndarray of int, shape (k,)
        First and last run of each string.
    friction : array_like of float, shape (3,)

    Returns
    -------
    down, up : numpy.ndarray of float, shape (k, 3)
        Pull behind the head once all is in, in kN; NaN where a drag or an angle is not known.

    Notes
    -----
    ``sum of D_i e^(mu beta_i)`` with beta_i all angles between run i and the head, those within run
    i too, as if they lay at its end: an upper bound, exact for straight runs. Source `capstan`.
    """
    drag = np.asarray(drag_kn, dtype=float)
    bend, turn = as_floats(bend_deg, turn_deg)
    member, start = list_members(first, last)
    opens = member == np.repeat(first, last - first + 1)
    unknown = np.isnan(bend[member]) | (np.isnan(turn[member]) & ~opens)
    along = np.cumsum(np.nan_to_num(bend) + np.nan_to_num(turn))
    tail, head = np.repeat(first, last - first + 1), np.repeat(last, last - first + 1)
    angle = {
        "down": along[head] - along[member] + bend[member],
        "up": along[member] - along[tail] + bend[tail],
    }

    def add_up(way: str) -> Floats:
        factor = capstan(np.where(unknown, np.nan, angle[way]), friction)
        return np.asarray(np.add.reduceat(drag[member] * factor, start, axis=0))

    return add_up("down"), add_up("up")


def exceeds(force_kn: ArrayLike, limit_kn: ArrayLike) -> Flags:
    """Tell where a force is over its limit; not where either is not known.

    Parameters
    ----------
    force_kn, limit_kn : array_like of float, shape (n,)

    Returns
    -------
    numpy.ndarray of bool, shape (n,)
    """
    return np.asarray(np.asarray(force_kn) > np.asarray(limit_kn) + _SLACK_KN)


def settle_low(force_kn: ArrayLike, least_kn: ArrayLike, limit_kn: ArrayLike) -> Floats:
    """Put what a low estimate is at least in its place where that alone is over the limit.

    A bend whose angle is not known only adds to the pull: what fails without it fails with it.

    Parameters
    ----------
    force_kn, least_kn : array_like of float, shape (n, 3)
        Low, mid, high; NaN not known. The second with the bends alone whose angle is known.
    limit_kn : array_like of float, shape (n,)

    Returns
    -------
    numpy.ndarray of float, shape (n, 3)
        The first, with the low estimate of the second where the first is not known and the second
        is over the limit; what is at least that much and keeps the limit stays not known.
    """
    force, least = np.array(force_kn, dtype=float), np.asarray(least_kn, dtype=float)
    is_over = np.isnan(force[..., 0]) & exceeds(least[..., 0], limit_kn)
    force[..., 0] = np.where(is_over, least[..., 0], force[..., 0])
    return force


def over_at(force_kn: ArrayLike, limit_kn: ArrayLike) -> Texts:
    """Say at which estimate a limit is passed: the one rule for the pipe and the machine.

    Parameters
    ----------
    force_kn : array_like of float, shape (n, 3)
        Low, mid, high.
    limit_kn : array_like of float, shape (n,)
        Allowable pull of the pipe with all safety in it, or rated pull of the machine.

    Returns
    -------
    numpy.ndarray of object, shape (n,)
        "low estimate", "mid estimate" or "high estimate": the lowest that is over; "no"; "not
        known" where the limit or an estimate below that is not known.
    """
    force, limit = np.asarray(force_kn, dtype=float), np.asarray(limit_kn, dtype=float)
    over = exceeds(force, limit[..., np.newaxis])
    missing = np.isnan(force) | np.isnan(limit)[..., np.newaxis]
    said = np.select(
        [
            missing[..., 0],
            over[..., 0],
            missing[..., 1],
            over[..., 1],
            missing[..., 2],
            over[..., 2],
        ],
        [NOT_KNOWN, OVER_AT["low"], NOT_KNOWN, OVER_AT["mid"], NOT_KNOWN, OVER_AT["high"]],
        NOT_OVER,
    )
    return said.astype(object)


def cavity_pressure(
    host_bore_mm: ArrayLike,
    head_mm: ArrayLike,
    axis_depth_m: ArrayLike,
    undrained_strength_kpa: ArrayLike,
    settings: PullSettings,
) -> Floats:
    """Find the soil pressure on the head as it widens the bore in undrained clay.

    Parameters
    ----------
    host_bore_mm, head_mm : array_like of float, shape (n,)
        Old bore and head diameter in mm.
    axis_depth_m : array_like of float, shape (n,)
        Depth of the pipe axis in m.
    undrained_strength_kpa : array_like of float, shape (n,)
        Undrained strength in kPa.
    settings : PullSettings
        Soil weight and rigidity G / c_u.

    Returns
    -------
    numpy.ndarray of float, shape (n,)
        ``s0 + c_u (1 + ln(G/c_u) + ln(1 - (a0/a)^2))`` in kPa with ``s0`` the total soil
        pressure, and no less than s0; source `gibson_anderson`. NaN where the head is not wider
        than the bore, or the depth is not above zero.
    """
    bore, head, depth, strength = as_floats(
        host_bore_mm, head_mm, axis_depth_m, undrained_strength_kpa
    )
    at_rest = settings.soil_weight_kn_m3 * np.where(depth > 0, depth, np.nan)
    widened = np.where(head > bore, 1 - (bore / head) ** 2, np.nan)
    rise = strength * (1 + np.log(settings.rigidity) + np.log(widened))
    return np.asarray(at_rest + np.maximum(rise, 0))


def _expand_force(runs: PullRuns, overcut_mm: float, pull: PullSettings) -> Floats:
    """Push the cone needs to widen the soil: ``p dA (1 + mu cot psi)``, 0 without widening."""
    bore, outside, depth = as_floats(runs.host_bore_mm, runs.outside_mm, runs.axis_depth_m)
    bore, depth = bore[..., np.newaxis], depth[..., np.newaxis]
    head = head_diameter(outside, overcut_mm)[..., np.newaxis]
    strength = np.array(pull.undrained_strength_kpa)
    pressure = cavity_pressure(bore, head, depth, strength, pull)
    area = np.pi / 4 * (head**2 - bore**2) / MM_PER_M**2
    cotangent = 1 / np.tan(np.radians(pull.cone_half_angle_deg))
    force = pressure * area * (1 + np.array(pull.cone_friction) * cotangent)
    return np.where(head <= bore, 0.0, force)


def burst_force(
    host_bore_mm: ArrayLike, host_wall_mm: ArrayLike, strength_mpa: ArrayLike, pull: PullSettings
) -> Floats:
    """Find the force that cracks a brittle ring along the cone.

    Parameters
    ----------
    host_bore_mm, host_wall_mm : array_like of float, shape (n,)
        Old bore and wall in mm.
    strength_mpa : array_like of float, shape (n, 3)
        Tensile strength in N/mm2: low, mid, high.
    pull : PullSettings
        Cone angle and friction, and the length broken at a time.

    Returns
    -------
    numpy.ndarray of float, shape (n, 3)
        ``(2 f_t t / ID) pi ID l (tan psi + mu) / (1 - mu tan psi)`` in kN, two cracks in a thin
        ring over the length l; source `burst_statics`.
    """
    bore, wall = as_floats(host_bore_mm, host_wall_mm)
    check_positive("host_bore_mm", bore)
    check_positive("host_wall_mm", wall)
    slope = np.tan(np.radians(pull.cone_half_angle_deg))
    friction = np.array(pull.cone_friction)
    wedge = (slope + friction) / (1 - friction * slope)
    length = pull.crack_length_ratio * bore
    ring = (2 * wall * np.pi * length)[..., np.newaxis] * np.asarray(strength_mpa)
    return np.asarray(ring * wedge / N_PER_KN)


def estimate_pull(runs: PullRuns, pipe: PipeSettings, pull: PullSettings) -> Pull:
    """Estimate the pull of static bursting, low, mid and high.

    Parameters
    ----------
    runs : PullRuns
        Runs or strings, each field of shape (n,).
    pipe : PipeSettings
        Density and overcut.
    pull : PullSettings
        Friction, soil and cone, each low, mid, high.

    Returns
    -------
    Pull
        Pull in the pipe and at the machine with its parts, each of shape (n, 3): low, mid,
        high in kN. NaN where an input or the host's strength is not known; the pull in the pipe
        needs no host and is known without it.

    Raises
    ------
    ValueError
        If a length is below zero or a size is not above zero.

    Notes
    -----
    ``pipe = L mu (w + pi OD p_n k_c) e^(mu beta)`` (see `drag_of_strings`) and
    ``machine = pipe + expand + burst``.
    Taking all low values together, and all high ones, makes the spread wider than chance would.
    No generally accepted procedure exists.
    """
    length, bend = as_floats(runs.length_m, runs.bend_deg)
    check_positive("length_m", length, zero_allowed=True)
    check_positive("bend_deg", bend, zero_allowed=True)
    each = drag_per_metre(runs.outside_mm, runs.sdr, pipe, pull)
    drag = np.asarray(length[..., np.newaxis] * each * capstan(bend, pull.friction))
    expand = _expand_force(runs, pipe.overcut_mm, pull)
    strength = host_strength(runs.host_material)
    burst = burst_force(runs.host_bore_mm, runs.host_wall_mm, strength, pull)
    return Pull(drag, np.asarray(drag + expand + burst), drag, expand, burst)
