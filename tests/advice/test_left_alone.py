"""Reasons of runs that are left as they are, and what would change a recommendation.

How an engineer would say it: common practice, no source.
"""

from routekit.advice.standing import RECOMMENDED
from routekit.methods.checks import at_least, caution_only
from routekit.sureness.judge import DECIDED
from routekit.techniques import MONITOR


def test_a_run_that_is_left_is_given_no_comparison_of_costs(sample_result):
    advice = sample_result.advice
    left = (advice["technique"].astype(str) == MONITOR).to_numpy()
    kept = (sample_result.runs["renew"].astype("boolean") == False).to_numpy(  # noqa: E712
        dtype=bool, na_value=False
    )
    free = left & ~advice["is_forced"].to_numpy(dtype=bool)
    for name in ("reason", "runner_up_reason"):
        said = advice.loc[free, name].astype(str)
        assert free.sum() > 50
        assert not said.str.contains("costs|money").any()
    assert advice.loc[free & kept, "reason"].str.contains("as its owner wants").all()
    assert advice.loc[free & ~kept, "reason"].str.contains("nothing seen in it asks for").all()
    assert (free & kept).any()
    assert (free & ~kept).any()


def test_a_check_that_only_warns_is_never_said_to_fail_a_technique(sample_result):
    check = at_least("Velocity", 1.0, 0.7, unit="m/s", source="practice")
    assert check.can_fail
    assert not caution_only(check).can_fail
    would = sample_result.advice["would_change"].astype(str)
    would = would[would.str.contains("would fail if")]
    assert len(would) > 20
    warns = "way for plant|velocity|water mains|chamber"
    assert not would.str.contains(warns, case=False).any()


def test_what_decided_is_said_first_and_is_no_cost_of_a_run_that_is_left(sample_result):
    advice = sample_result.advice.set_index("run_id")
    technique = advice["technique"].astype(object)
    seen = (advice["standing"] == RECOMMENDED) & technique.notna() & ~advice["is_forced"]
    left = technique == MONITOR
    first = advice.loc[seen, "reason"].str.split(". ", regex=False).str[0]
    assert first[left[seen]].str.startswith("It is left as it is").all()
    assert first[~left[seen]].str.contains("is preferred to|is recommended because").all()
    # Why it needs work, and what a trench would do, stands behind that.
    assert advice.loc[seen, "reason"].str.contains("open cut would enter|pipe size").mean() > 0.9
    assert set(advice.loc[left & ~advice["is_forced"], "deciding_criterion"]) == {"need"}
    assert set(advice.loc[advice["is_forced"] & technique.notna(), "deciding_criterion"]) == {
        "decision"
    }


def test_would_change_names_the_input_that_turns_it_and_its_value(sample_result):
    advice = sample_result.advice
    turned = (advice["turned_by"] != "") & (advice["sureness"] != DECIDED)
    assert turned.sum() > 50
    valued = turned & advice["turned_by"].str.startswith("advice.") & advice["turned_at"].notna()
    assert valued.sum() > 10
    for said, name, at in zip(
        *(advice.loc[valued, one] for one in ("would_change", "turned_by", "turned_at")),
        strict=True,
    ):
        assert f"with {name} at " in said
        shown = float(said.split(f"{name} at ")[1].split(" ")[0].replace(",", ""))
        assert abs(shown - at) <= 0.006 * abs(at)
    by_rule = turned & (advice["turned_by"] == "advice.appraisal")
    assert advice.loc[by_rule, "would_change"].str.contains("would be best under").all()
    # It stands there once, and not in how sure it is too.
    assert not advice["sureness_note"].str.contains("would be best").any()
