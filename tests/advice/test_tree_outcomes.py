"""What happens to each tree: nothing that is not known spares one."""

import pandas as pd
import pytest

from routekit.advice.tree_outcomes import judge_outcomes, mark_open_works

BALANCE = {
    "tree_id": "T1",
    "severity": "none",
    "open_cut_severity": "none",
    "is_careful_structural": False,
    "is_near_stem": False,
}
WORK = {
    "kind": "trench",
    "run_id": "A",
    "tree_id": "T1",
    "severity": "minor",
    "is_structural": False,
    "is_recommended": False,
    "keeps_roots": False,
}


def judge(balance=None, works=(), *, technique="cipp", radius_m=4.0):
    """What happens to one tree, by what its balance and the works at it say."""
    rows = [] if balance is None else [BALANCE | balance]
    found = judge_outcomes(
        pd.DataFrame({"tree_id": ["T1"]}),
        pd.DataFrame({"tree_id": ["T1"], "radius_m": [radius_m], "zone": [None]}),
        pd.DataFrame([WORK | work for work in works], columns=list(WORK)),
        pd.DataFrame(rows, columns=list(BALANCE)),
        pd.DataFrame({"run_id": ["A"], "technique": [technique], "is_new_line": [False]}),
    )
    return {name: values[0] for name, values in found.items()}


@pytest.mark.parametrize(
    ("balance", "radius_m", "outcome"),
    [
        (None, 4.0, "none"),
        (None, None, "unknown"),
        ({"severity": "none"}, None, "unknown"),
        ({"severity": "minor"}, None, "minor"),
        ({"severity": "unknown"}, 4.0, "unknown"),
        ({"severity": None}, 4.0, "unknown"),
        ({"severity": "major"}, 4.0, "major"),
    ],
)
def test_works_spare_a_tree_only_where_its_zone_and_its_loss_are_known(balance, radius_m, outcome):
    assert judge(balance, radius_m=radius_m)["works_outcome"] == outcome


@pytest.mark.parametrize(
    ("balance", "works", "technique", "radius_m", "outcome"),
    [
        (None, [], "cipp", 4.0, "none"),
        (None, [], "cipp", None, "unknown"),
        ({"open_cut_severity": "major"}, [{}], "cipp", 4.0, "major"),
        ({"open_cut_severity": "none"}, [{}], "cipp", 4.0, "minor"),
        ({"open_cut_severity": "unknown"}, [{}], "cipp", 4.0, "unsized"),
        ({"open_cut_severity": "unknown"}, [{}], "cipp", None, "unknown"),
        ({"open_cut_severity": "unknown"}, [{"severity": "major"}], "cipp", 4.0, "major"),
        ({"open_cut_severity": "unknown"}, [{"severity": "structural"}], "cipp", 4.0, "structural"),
        ({"open_cut_severity": "unknown"}, [], "cipp", 4.0, "unsized"),
        ({"open_cut_severity": "unknown"}, [], "cipp", None, "unknown"),
        (None, [{}], "monitor", 4.0, "idle"),
        ({"open_cut_severity": "minor"}, [{}], "monitor", 4.0, "minor"),
        (None, [{}], None, 4.0, "minor"),
    ],
)
def test_a_trench_does_at_least_what_its_breach_does(balance, works, technique, radius_m, outcome):
    found = judge(balance, works, technique=technique, radius_m=radius_m)
    assert found["open_cut_outcome"] == outcome


@pytest.mark.parametrize(
    ("severity", "is_careful", "is_near_stem", "care"),
    [
        ("structural", True, False, "expert"),
        ("minor", True, False, "careful"),
        ("major", True, True, "careful_open"),
        ("major", True, None, "careful_open"),
        ("major", False, False, "large"),
        ("minor", False, False, ""),
        ("none", True, False, ""),
    ],
)
def test_what_works_ask_for_at_a_tree(severity, is_careful, is_near_stem, care):
    told = {"is_careful_structural": is_careful, "is_near_stem": is_near_stem}
    assert judge({"severity": severity} | told)["works_care"] == care


def test_close_works_are_recommended_cut_roots_and_lie_in_the_structural_zone():
    close = {"is_structural": True, "is_recommended": True}
    works = [
        close | {"kind": "dig"},
        close | {"kind": "pit"},
        close | {"kind": "pit"},
        {"is_structural": True},
    ]
    assert judge(works=works)["close_works"] == "pit;dig"
    kept = [close | {"keeps_roots": True}, close | {"is_structural": None}]
    assert judge(works=kept)["close_works"] == ""


@pytest.mark.parametrize(
    ("technique", "placed", "is_open"),
    [
        ("burst_same", ["P1", "P2"], False),
        ("burst_same", ["P1"], True),
        ("slip_lining", ["P1", "P2"], False),
        ("cipp", [], False),
        (None, ["P1", "P2"], True),
    ],
)
def test_works_are_open_without_a_recommendation_or_a_place_for_a_pit(technique, placed, is_open):
    advice = pd.DataFrame({"run_id": ["A"], "technique": [technique]})
    strings = pd.DataFrame({"run_ids": ["B;A"], "launch_pit": ["P1"], "reception_pit": ["P2"]})
    places = [name if name in placed else None for name in ("P1", "P2")]
    pits = pd.DataFrame({"pit_id": ["P1", "P2"], "geometry": places})
    assert mark_open_works(advice, strings, pits).tolist() == [is_open]
    away = strings.assign(run_ids="B")
    needs_pits = technique not in (None, "cipp")
    assert mark_open_works(advice, away, pits).tolist() == [is_open or needs_pits]
