"""The check machinery: verdicts at borders, unknowns, the worst verdict and the long table."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from made_cases import check_all, make

from routekit.methods.checks import (
    CAUTION,
    FAIL,
    PASS,
    UNKNOWN,
    Rest,
    ask_arborist,
    at_least,
    at_most,
    caution_only,
    classed,
    must_not,
    needed_surveys,
    rest_on,
    tabulate_checks,
    worst_verdict,
)
from routekit.vocabulary import SURVEYS, VERDICTS

NAN, INF = np.nan, np.inf
HOW = {"unit": "m", "source": "house"}
NUMBERS = st.floats(allow_nan=True, allow_infinity=True, width=32)


@pytest.mark.parametrize(
    ("value", "limit", "caution", "verdict"),
    [
        (4.0, 5.0, None, PASS),
        (5.0, 5.0, None, PASS),
        (np.nextafter(5.0, 6.0), 5.0, None, FAIL),
        (4.0, 5.0, 4.0, PASS),
        (np.nextafter(4.0, 5.0), 5.0, 4.0, CAUTION),
        (5.0, 5.0, 4.0, CAUTION),
        (6.0, 5.0, 4.0, FAIL),
        (NAN, 5.0, 4.0, UNKNOWN),
        (4.0, NAN, 4.0, UNKNOWN),
        (4.0, 5.0, NAN, UNKNOWN),
        (6.0, 5.0, NAN, FAIL),
        (1e9, INF, None, PASS),
        (1e9, INF, 3.0, CAUTION),
        (-INF, NAN, NAN, PASS),
    ],
)
def test_at_most(value, limit, caution, verdict):
    check = at_most("c", [value], limit, caution=caution, **HOW)
    assert check.verdict.tolist() == [verdict]
    assert check.rule == "at most"


@pytest.mark.parametrize(
    ("value", "limit", "caution", "verdict"),
    [
        (5.0, 5.0, None, PASS),
        (np.nextafter(5.0, 4.0), 5.0, None, FAIL),
        (6.0, 5.0, 6.0, PASS),
        (5.0, 5.0, 6.0, CAUTION),
        (4.0, 5.0, 6.0, FAIL),
        (NAN, 5.0, None, UNKNOWN),
        (6.0, NAN, 6.0, UNKNOWN),
        (6.0, 5.0, NAN, UNKNOWN),
        (4.0, 5.0, NAN, FAIL),
        (INF, NAN, NAN, PASS),
    ],
)
def test_at_least(value, limit, caution, verdict):
    check = at_least("c", [value], limit, caution=caution, **HOW)
    assert check.verdict.tolist() == [verdict]
    assert check.rule == "at least"


@given(value=NUMBERS, limit=NUMBERS, caution=NUMBERS)
def test_at_least_mirrors_at_most(value, limit, caution):
    most = at_most("c", [value], limit, caution=caution, **HOW)
    least = at_least("c", [-value], -limit, caution=-caution, **HOW)
    assert most.verdict.tolist() == least.verdict.tolist()


def test_must_not():
    flags = [1.0, 0.0, NAN, 3.0]
    assert must_not("c", flags, source="house").verdict.tolist() == [FAIL, PASS, UNKNOWN, FAIL]
    soft = must_not("c", flags, source="house", severity=CAUTION)
    assert soft.verdict.tolist() == [CAUTION, PASS, UNKNOWN, CAUTION]
    assert (soft.unit, soft.rule, soft.limit.tolist()) == ("yes/no", "must not be", [0.0] * 4)


def test_classed():
    check = classed("c", [0.0, 1.0, 2.0, NAN], source="house")
    assert check.verdict.tolist() == [PASS, CAUTION, FAIL, UNKNOWN]
    assert check.limit.tolist() == [1.0] * 4


def test_one_limit_for_all_or_one_for_each():
    assert at_most("c", [1.0, 5.0], 3.0, **HOW).verdict.tolist() == [PASS, FAIL]
    assert at_most("c", [1.0, 5.0], [0.5, 9.0], **HOW).verdict.tolist() == [FAIL, PASS]
    with pytest.raises(ValueError, match="broadcast"):
        at_most("c", [1.0, 5.0], [0.5, 9.0, 1.0], **HOW)


def test_a_survey_without_words_is_refused():
    with pytest.raises(ValueError, match="check 'c': survey 'connections' is not one of camera, "):
        at_most("c", [1.0], 2.0, unit="m", source="house", survey="connections")


def test_inputs_stay_as_they_were():
    value, limit = np.array([1.0, NAN]), np.array([2.0, 2.0])
    check = at_most("c", value, limit, **HOW)
    check.limit[0] = 99.0
    assert limit.tolist() == [2.0, 2.0]


def test_worst_verdict_is_the_last_in_order():
    assert VERDICTS == ("pass", "caution", "unknown", "fail")
    rows = [
        [PASS, PASS, PASS, CAUTION],
        [PASS, CAUTION, UNKNOWN, UNKNOWN],
        [PASS, PASS, FAIL, PASS],
    ]
    spots = {PASS: 0.0, CAUTION: 1.0, UNKNOWN: NAN, FAIL: 2.0}
    checks = [classed("c", [spots[code] for code in row], source="house") for row in rows]
    assert worst_verdict(checks).tolist() == [PASS, CAUTION, FAIL, UNKNOWN]
    with pytest.raises(ValueError, match="at least one check"):
        worst_verdict([])


def test_one_survey_settles_all_checks_that_name_it():
    checks = [
        at_most("a", [NAN, 1.0, NAN], 2.0, survey="levels", **HOW),
        at_most("b", [1.0, 1.0, NAN], 2.0, survey="levels", **HOW),
        must_not("c", [0.0, NAN, NAN], source="house"),
    ]
    needed = needed_surveys(checks)
    assert list(needed) == [name for name in SURVEYS if name in ("camera", "levels")]
    assert needed["levels"].tolist() == [True, False, True]
    assert needed["camera"].tolist() == [False, True, True]


def test_long_table_holds_what_the_arrays_hold():
    rng = np.random.default_rng(7)
    size = 17
    cases, plan = make(
        size,
        depth_max_m=np.where(rng.random(size) < 0.3, NAN, rng.uniform(1, 8, size)),
        collapses=rng.integers(0, 2, size).astype(float),
        n_structural=rng.integers(0, 2, size).astype(float),
    )
    checks = check_all(cases, plan)
    ids = pd.Series([f"R{i}" for i in range(size)])
    table = tabulate_checks(ids, checks)
    assert len(table) == size * sum(map(len, checks.values()))
    assert not table.duplicated(["run_id", "technique", "check"]).any()
    assert (np.diff(table["run"]) >= 0).all()
    assert (table["run_id"].astype(str) == ids.to_numpy()[table["run"]]).all()
    for technique, group in checks.items():
        for check in group:
            rows = table[(table["technique"] == technique) & (table["check"] == check.name)]
            np.testing.assert_array_equal(rows["value"], check.value)
            np.testing.assert_array_equal(rows["limit"], check.limit)
            np.testing.assert_array_equal(rows["verdict"].cat.codes, check.verdict)
            for name in ("unit", "rule", "source", "remedy", "survey"):
                assert set(rows[name]) == {getattr(check, name)}


def test_long_table_without_checks_has_the_same_columns():
    full = tabulate_checks(pd.Series(["R1"]), check_all(*make()))
    empty = tabulate_checks(pd.Series(["R1"]), {})
    assert list(full.columns) == list(empty.columns)
    assert empty.empty


def test_long_table_holds_more_texts_than_a_small_number_can_count():
    names = [f"check {number}" for number in range(300)]
    checks = [at_most(name, [1.0, 3.0], 2.0, unit="m", source="house") for name in names]
    table = tabulate_checks(pd.Series(["R1", "R2"]), {"monitor": checks})
    assert table["check"].astype(str).tolist() == names * 2
    assert (table.groupby("run_id", observed=True)["verdict"].first() == ["pass", "fail"]).all()


def test_a_check_can_rule_out_and_is_no_plain_fact_unless_it_says_so():
    for make_check in (at_most, at_least):
        plain = make_check("c", [1.0], 2.0, **HOW)
        assert (plain.is_given, plain.can_fail, plain.is_arborists) == (False, True, False)
        assert make_check("c", [1.0], 2.0, is_given=True, **HOW).is_given
    flag = must_not("c", [1.0], source="house")
    assert (flag.is_given, flag.can_fail, flag.is_arborists) == (False, True, False)


def test_a_check_that_may_only_warn_keeps_all_but_its_failures():
    check = caution_only(classed("c", [0.0, 1.0, 2.0, NAN], source="house"))
    assert check.verdict.tolist() == [PASS, CAUTION, CAUTION, UNKNOWN]
    assert not check.can_fail


def test_what_a_check_rests_on_is_named_one_after_the_other():
    check = rest_on(at_most("c", [1.0, 3.0], 2.0, **HOW), "material", "shape")
    check = rest_on(check, "depth", level=UNKNOWN, where=[1.0, 0.0], note="why")
    first, second = check.rests
    assert first == Rest(("material", "shape"), CAUTION, None, "")
    assert (second.fields, second.level, second.note) == (("depth",), UNKNOWN, "why")
    assert second.where.tolist() == [True, False]
    assert second.where.dtype == bool
    assert check.verdict.tolist() == [PASS, FAIL]


def test_an_arborist_is_asked_by_the_survey_where_unknown_and_by_the_remedy_elsewhere():
    """Of a check that passes nothing is asked."""
    facts = [0.0, 1.0, 2.0, NAN]
    asked = {
        ("trees", True): [False, True, True, True],
        ("trees", False): [False, False, False, True],
        ("camera", True): [False, True, True, False],
        ("camera", False): [False, False, False, False],
    }
    for (survey, is_arborists), expected in asked.items():
        check = classed("c", facts, source="house", survey=survey)
        check = ask_arborist(check) if is_arborists else check
        assert check.is_arborists == is_arborists
        table = tabulate_checks(pd.Series(["A", "B", "C", "D"]), {"monitor": [check]})
        assert table["asks_arborist"].tolist() == expected


def test_long_table_by_hand():
    """Two checks of one technique and one of another on two runs: run by run, as given."""
    one = at_most("one", [1.0, 3.0], 2.0, **HOW)
    two = replace(must_not("two", [NAN, 0.0], source="house"), assumed=np.array(["size", ""]))
    three = replace(at_least("three", [1.0, 3.0], 2.0, **HOW), assumed=np.array(["", "depth"]))
    table = tabulate_checks(pd.Series(["A", "B"]), {"cipp": [one, two], "monitor": [three]})
    told = table[["run_id", "run", "technique", "check", "verdict", "assumed"]].astype(str)
    assert told.to_numpy().tolist() == [
        ["A", "0", "cipp", "one", "pass", ""],
        ["A", "0", "cipp", "two", "unknown", "size"],
        ["A", "0", "monitor", "three", "fail", ""],
        ["B", "1", "cipp", "one", "fail", ""],
        ["B", "1", "cipp", "two", "pass", ""],
        ["B", "1", "monitor", "three", "pass", "depth"],
    ]
    np.testing.assert_array_equal(table["value"], [1.0, NAN, 1.0, 3.0, 0.0, 3.0])
    assert table["limit"].tolist() == [2.0, 0.0, 2.0] * 2
    assert table["verdict"].cat.ordered
    assert table["verdict"].min() == "pass"
    assert (table["verdict"] > "caution").tolist() == [False, True, True, True, False, False]


@pytest.mark.parametrize(
    ("value", "limit", "side"),
    [
        (200.004, 200.0, "over"),
        (199.96, 200.0, "under"),
        (200.05, 200.0, ""),
        (200.0, 200.0, ""),
        (10.04, 10.0, "over"),
        (9.0004, 9.0, "over"),
        (9.0006, 9.0, ""),
        (-20.04, -20.0, "under"),
        (NAN, 200.0, ""),
        (np.inf, np.inf, ""),
    ],
)
def test_a_value_that_rounds_to_its_limit_says_on_which_side_it_lies(value, limit, side):
    """Large ones are shown with one decimal, small ones with three."""
    checks = [
        at_most("Length", [value, 1.0], [limit, 2.0], unit="m", source="house"),
        classed("Host", [0.9996, 1.0004], source="house"),
    ]
    table = tabulate_checks(pd.Series(["A", "B"]), {"cipp": checks})
    assert table["limit_side"].tolist() == [side, "", "", ""]
