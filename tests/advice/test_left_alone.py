"""Reasons of runs that are left as they are, and what would change a recommendation.

How an engineer would say it: common practice, no source.
"""

from routekit.methods.checks import at_least, caution_only
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
    assert len(would) > 50
    warns = "way for plant|velocity|water mains|chamber"
    assert not would.str.contains(warns, case=False).any()
