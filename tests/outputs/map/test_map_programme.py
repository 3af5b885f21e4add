"""The programme reaches the page whole, and the page has a place for it."""

from dataclasses import replace

import district

from routekit.outputs.map.builder import SCRIPTS, read_part, read_script
from routekit.outputs.map.content import page_content
from routekit.programme.stages import STAGES


def test_every_package_is_packed_with_its_days_and_open_points(sample_result):
    given = {name: getattr(sample_result, name) for name in ("programme", "stages")}
    content = page_content(replace(district.make_district(), **given))[0]
    packed = content["programme"]
    assert content["stages"]["n"] == len(sample_result.stages)
    assert {"package_id", "stage", "days_low", "begin_day", "end_date"} <= set(
        content["stages"]["c"]
    )
    assert packed["n"] == len(sample_result.programme)
    needed = {"package_id", "run_ids", "start_day", "finish_day", "late_finish_day", "float_days"}
    assert needed <= set(packed["c"])
    assert "programme.js" in SCRIPTS
    assert "#page=programme" in read_part("page/sheet.j2")
    for name in ("start_date", "to_confirm", "hindrance"):
        assert name.split("_date")[0] in read_script("programme.js")


def test_each_stage_has_its_word():
    script = read_script("codes.js")
    assert all(f'say("{stage}")' in script for stage in STAGES)
