"""A new line: open cut on another line, and what that line alone must be held to."""

from __future__ import annotations

import numpy as np
import pandas as pd

from routekit.layers.assumed import GROUND_BETWEEN, INVERTS, SERVICES, SIZE
from routekit.methods import open_cut
from routekit.methods.checks import Check, at_least, at_most, must_not, rest_on
from routekit.methods.common import column, known_flag, may_be_barred, rest_on_depth
from routekit.methods.settings import OpenCutSettings
from routekit.site.line_search import GAP_M

OUTSIDE_M2 = GAP_M
"""Area outside the street that is a slip of the drawing, m2 (house choice)."""


def list_checks(
    cases: pd.DataFrame,
    plan: pd.DataFrame,
    settings: OpenCutSettings,
    *,
    least_cover_m: float,
    sewer_clearance_m: float,
    connection_fall: float,
) -> list[Check]:
    """List the checks of a new line: those of open cut there, and what it alone must hold.

    Parameters
    ----------
    cases : DataFrame
        Of the new lines, as open cut has them; what is dug is trench, new manholes and the
        trenches of all connections together. Besides outside_m2 (dug outside the street; NaN
        without surfaces), line_cover_m (least, over the new pipe), sewer_clear_m (least clear
        height to another sewer, infinite where none is crossed), is_barred (a decision keeps it
        from being dug), may_be_barred (a tree may), relaid_invert_fall and relaid_crown_fall (from
        `routekit.site.relaid.connection_falls`), relaid_service_m and n_relaid_assumed (from
        `routekit.methods.relaid_services.sum_clearances`) and n_relaid_unknown (connections that
        cannot be re-laid on paper).
    plan : DataFrame
        Of open cut on the new lines.
    settings : OpenCutSettings
    least_cover_m, sewer_clearance_m, connection_fall : float

    Returns
    -------
    list of Check
    """
    depth = (GROUND_BETWEEN,)
    unknown = column(cases, "n_relaid_unknown")
    return [
        *open_cut.list_checks(cases, plan, settings),
        at_most(
            "Dug outside the street",
            column(cases, "outside_m2"),
            OUTSIDE_M2,
            unit="m2",
            source="house",
            remedy="Map the surfaces of the street, or ask the owner of the land.",
            survey="access",
        ),
        rest_on(
            at_least(
                "Fall of the new line",
                column(cases, "fall_m"),
                column(cases, "level_error_m"),
                unit="m",
                source="practice",
                remedy="Survey the levels of both manholes.",
                survey="levels",
            ),
            *INVERTS,
        ),
        rest_on_depth(
            at_least(
                "Cover over the new pipe",
                column(cases, "line_cover_m"),
                least_cover_m,
                unit="m",
                source="practice",
                remedy="Survey the ground along the new line.",
                survey="levels",
            ),
            *depth,
        ),
        rest_on_depth(
            at_least(
                "Clear height to sewers that are crossed",
                column(cases, "sewer_clear_m"),
                sewer_clearance_m,
                unit="m",
                source="practice",
                remedy="Survey the levels of the sewer that is crossed.",
                survey="levels",
            ),
        ),
        _connections_fall(cases, connection_fall),
        _clear_of_connections(cases, settings.hand_dig_m),
        must_not(
            "Connections that are not known",
            np.where(unknown == 0, 0.0, np.nan),
            source="practice",
            remedy="Inspect the run and place its connections.",
        ),
        may_be_barred(
            must_not(
                "Barred by a decision",
                column(cases, "is_barred"),
                source="house",
                remedy="Ask whoever decided, and find out which of the trees at new manholes are "
                "protected or veterans.",
            ),
            cases,
        ),
    ]


def _connections_fall(cases: pd.DataFrame, least: float) -> Check:
    """Check the fall of re-laid connections, whose own levels no layer tells.

    It passes only where the lowest that they can join leaves enough. Where that takes the crown of
    the old pipe it is a caution, and where not even that does, or some connections are not known,
    it is not known.
    """
    invert, crown = column(cases, "relaid_invert_fall"), column(cases, "relaid_crown_fall")
    is_known = column(cases, "n_relaid_unknown") == 0
    return at_least(
        "Fall of the connections re-laid",
        np.where(is_known & (crown >= least), crown, np.nan),
        least,
        caution=np.where(invert >= least, least, np.inf),
        unit="m/m",
        source="practice",
        remedy="Survey the levels at which the connections join.",
        survey="levels",
    )


def _clear_of_connections(cases: pd.DataFrame, hand_dig_m: float) -> Check:
    """Check the services at re-laid connections, as those at the trench itself are checked.

    It is not known where some connections are not, nor without a layer of services, unless one that
    is known is in the way.
    """
    clearance = column(cases, "relaid_service_m")
    assumed = column(cases, "n_relaid_assumed")
    is_blind = (column(cases, "n_relaid_unknown") != 0) | (known_flag(cases, "has_services") != 1)
    is_blind |= np.isnan(assumed)
    check = at_least(
        "Services in or beside the trenches of connections re-laid",
        np.where(is_blind & ~(clearance < 0), np.nan, clearance),
        0.0,
        caution=hand_dig_m,
        unit="m",
        source="practice",
        remedy="Locate the services at re-laid connections, and hand-dig near them.",
        survey="services",
    )
    near = np.isfinite(check.value)
    return rest_on(rest_on_depth(check, *SIZE, where=near), *SERVICES, where=assumed > 0)
