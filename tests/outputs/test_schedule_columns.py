"""Every column of works that the GeoPackage holds is in the schedule, or left out for a reason."""

import pandas as pd
import pytest

from routekit.outputs.book import load_columns
from routekit.outputs.schedule_sheets import collect_sheets, word_assumed
from routekit.words.languages import list_languages

LEFT_OUT = {
    "Strings": {"head_kn", "is_too_short", "laydown_fits", "laydown_has_room", "is_over_limit"},
    "Pits": {
        "slide_share",
        "turn_deg",
        "is_outside",
        "surfaces",
        "harm",
        "is_free",
        "nearest_stems",
        "stem_face_m",
        "is_stem_loose",
    },
    "Digs": {"stem_face_m", "is_stem_loose", "opens_ground", "surfaces"},
    "To confirm": {"run", "asks_arborist", "is_recommended", "is_open", "next_step", "limit_side"},
    "Programme": set(),
    "Stages": {"begin_day", "end_day"},
    "Flow diversion": {"hose_velocity_m_s", "level_m"},
    "Trees": {
        "stem_diameter_mm",
        "stems_mm",
        "stem_count",
        "stem_height_m",
        "photo",
        "is_columnar",
        "n_works",
        "recommended_footprint_m2",
        "recommended_footprint_share",
        "recommended_structural_m2",
        "recommended_is_structural",
        "spared_m2",
        "stem_face_m",
        "is_touched",
        "is_careful_structural",
        "shape",
        "regime",
        "structural_basis",
        "is_capped",
        "stem_source",
        "is_estimated",
        "estimated",
        "stem_low_mm",
        "stem_high_mm",
        "tree",
        "crown",
        "zone",
        "takes_more",
        "is_from_raster",
        "street",
        "nearest_run",
        "open_cut_outcome",
        "works_outcome",
        "works_care",
        "close_works",
        "is_beyond_drawn",
        "is_open_cut_reached",
        "is_open_cut_serious",
        "is_zone_known",
        "is_grazed",
        "is_shown_to_residents",
    },
}
"""Said by another column in words (head, stem, room to lie), or how a place was searched for."""

RUNS = {
    "street",
    "invert_up_m",
    "invert_down_m",
    "ground_up_m",
    "ground_down_m",
    "gradient_source",
    "position_sd_m",
    "cover_m",
    "service_clearance_m",
    "nearest_service",
    "n_crossings",
    "building_distance_m",
    "is_inspected",
    "operational_grade",
    "collapses",
    "required_l_s",
    "required_basis",
    "assumed",
}
"""What of a run who prices it must know beside the size: where, how deep, beside what, how sure."""


@pytest.fixture(scope="module")
def sheets(sample_result):
    return collect_sheets(sample_result)


@pytest.mark.parametrize("sheet", LEFT_OUT)
def test_each_column_is_shown_or_left_out_for_a_reason(sheet, sheets):
    shown = {column.name for column in load_columns()[sheet]}
    held = {name for name in sheets[sheet].columns if not name.endswith("_words")}
    assert held - shown - {"geometry"} == LEFT_OUT[sheet]


def test_what_a_tenderer_needs_of_a_run_is_shown(sheets):
    shown = {column.name for column in load_columns()["Runs"]}
    assert shown >= RUNS
    assert set(sheets["Runs"].columns) >= RUNS


def test_surveys_that_would_settle_recommendations_have_a_sheet(sheets, sample_result):
    named = [column.name for column in load_columns()["Surveys"]]
    assert named == ["what", "n_settled", "n_runs", "cost_mid", "cost_each", "currency"]
    shown, ranked = sheets["Surveys"], sample_result.surveys
    assert len(ranked)
    assert shown[named[:-1]].equals(ranked[named[:-1]])


def test_what_is_assumed_stands_in_words(sheets, sample_result):
    named = {word for cell in sheets["Runs"]["assumed"] for word in cell.split(", ")}
    assert named <= {
        "",
        "depth",
        "design flow",
        "material",
        "root zones near it",
        "run that connections join",
        "size of the root zones it enters",
        "structural root zones near it",
    }
    empty = (sample_result.runs["assumed"].astype(str) == "").to_numpy()
    assert (sheets["Runs"]["assumed"][empty] == "").all()
    assert (sheets["Runs"]["assumed"][~empty] != "").all()
    words = word_assumed(pd.DataFrame({"assumed": ["design_flow_l_s;upsizing_mm", None]}))
    assert words["assumed"].tolist() == ["design flow", ""]


@pytest.mark.parametrize("language", list_languages())
def test_every_column_has_a_heading_in_every_language(language):
    for columns in load_columns().values():
        for column in columns:
            heading = column.heading(language)
            assert heading
            assert heading.endswith(")") if column.unit else "()" not in heading


@pytest.mark.parametrize("sheet", load_columns())
def test_no_sheet_has_two_columns_of_one_name(sheet):
    names = [column.heading("en") for column in load_columns()[sheet]]
    assert len(set(names)) == len(names)
