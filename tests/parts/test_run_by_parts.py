"""A divided study yields what it yields in one piece, also after a stop."""

import pandas as pd
import pytest
from pandas.testing import assert_frame_equal

from routekit.errors import LayerError, PartError
from routekit.parts import run
from routekit.parts.run import run_by_parts


def assert_same(found, whole):
    """Every table is the same, value by value; categories may be listed in another order."""
    for name, table in whole.tables.items():
        other = found.tables[name]
        words = [column for column in table if isinstance(table[column].dtype, pd.CategoricalDtype)]
        plain = dict.fromkeys(words, object)
        assert_frame_equal(other.astype(plain), table.astype(plain), obj=name, rtol=1e-12)


def test_a_part_that_fails_is_named_and_the_run_goes_on_from_the_others(
    sample_study, sample_result, tmp_path, monkeypatch
):
    judge, judged = run.judge_part, []

    def fail_once(settings, prepared, condition, part):
        if part.number == 1 and len(judged) < 2:
            judged.append("failed")
            raise LayerError("a wire was cut")
        judged.append(part.number)
        return judge(settings, prepared, condition, part)

    monkeypatch.setattr(run, "judge_part", fail_once)
    folder = tmp_path / "result.parts"
    told = []
    with pytest.raises(PartError, match=r"part 2 of 2 .*a wire was cut; 1 parts are kept"):
        run_by_parts(sample_study, folder, parts=2, tell=told.append)
    assert "Judging runs: 1 of 2 parts" in told
    kept = {file.name: file.stat().st_mtime_ns for file in folder.iterdir()}
    found = run_by_parts(sample_study, folder, parts=2, tell=told.append)
    assert judged == [0, "failed", 1]
    assert kept.items() <= {f.name: f.stat().st_mtime_ns for f in folder.iterdir()}.items()
    assert_same(found, sample_result)
