"""The programme reaches the page whole, and the page has a place for it."""

from dataclasses import replace

import district

from routekit.outputs.map.builder import SCRIPTS, read_part, read_script
from routekit.outputs.map.content import page_content


def test_every_package_is_packed_with_its_days_and_open_points(sample_result):
    made = replace(district.make_district(), programme=sample_result.programme)
    packed = page_content(made)[0]["programme"]
    assert packed["n"] == len(sample_result.programme)
    needed = {"package_id", "run_ids", "start_day", "finish_day", "late_finish_day", "float_days"}
    assert needed <= set(packed["c"])
    assert "programme.js" in SCRIPTS
    assert "#page=programme" in read_part("page/sheet.j2")
    for name in ("start_date", "to_confirm", "hindrance"):
        assert name.split("_date")[0] in read_script("programme.js")
