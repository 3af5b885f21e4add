"""The study file: read as typed settings, or refused with the nearest known name."""

import copy
import pickle
from pathlib import Path

import pytest
from pydantic import ValidationError

from routekit.errors import StudyError
from routekit.outputs.summary import summarise
from routekit.outputs.write import write_outputs
from routekit.pipeline import prepare_study, run_study
from routekit.study import Study, StudySettings, parse_settings

LAYERS = {"layers": {"sewers": "s.gpkg", "trees": "t.gpkg"}}


def test_a_bare_study_has_every_default():
    settings = parse_settings(LAYERS)
    assert settings.zones.regime == "bs5837_2012"
    assert settings.study.default_depth_m == 2.0
    assert settings.layers.manholes is None


def test_what_the_file_says_replaces_the_default():
    settings = parse_settings(
        LAYERS | {"trench": {"bed_m": 0.2}, "flow": {"rainfall": {"constant_mm_h": 60}}}
    )
    assert settings.trench.bed_m == 0.2
    assert settings.trench.cover_fill_m == parse_settings(LAYERS).trench.cover_fill_m
    assert settings.flow.rainfall.constant_mm_h == 60


def test_settings_never_change():
    settings = parse_settings(LAYERS)
    with pytest.raises(ValidationError, match="frozen"):
        settings.trench.bed_m = 1.0


def test_a_folder_means_the_study_file_in_it(tmp_path):
    text = '[layers]\nsewers = "s.gpkg"\ntrees = "t.gpkg"\n'
    (tmp_path / "study.toml").write_text(text, encoding="utf-8")
    assert Study.load(tmp_path) == Study.load(str(tmp_path / "study.toml"))
    assert Study.load(tmp_path).path == tmp_path / "study.toml"


def test_a_study_that_cannot_be_opened(tmp_path, monkeypatch):
    path = tmp_path / "study.toml"
    path.write_text("", encoding="utf-8")

    def refuse(*_, **__):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(type(path), "read_bytes", refuse)
    with pytest.raises(StudyError, match=r"study\.toml: cannot be read \(Permission denied\)"):
        Study.load(path)


@pytest.mark.parametrize("group", sorted(StudySettings.model_fields))
def test_a_misspelt_section_is_offered_its_name(group):
    with pytest.raises(StudyError, match=rf'{group}x: unknown setting; did you mean "{group}"'):
        parse_settings(LAYERS | {f"{group}x": {}}, file="a.toml")


@pytest.mark.parametrize(
    ("name", "value"), [("pit_days", [2, 4]), ("connections_a_day", [2, 4]), ("gangs", 2)]
)
def test_a_setting_that_was_moved_is_refused_with_its_new_place(name, value):
    offer = rf'public\.{name}: unknown setting; did you mean "string_days\.{name}"\?'
    with pytest.raises(StudyError, match=offer):
        parse_settings(LAYERS | {"outputs": {"public": {name: value}}}, file="a.toml")
    assert parse_settings(LAYERS | {"string_days": {name: value}})


def test_several_faults_are_told_at_once_each_on_its_line():
    table = LAYERS | {"trench": {"bed": 1, "shoring_m": -1}, "pul": {}}
    with pytest.raises(StudyError, match=r"bed_m") as refusal:
        parse_settings(table, file="a.toml")
    lines = str(refusal.value).splitlines()
    assert len(lines) == 3
    assert all(line.startswith("a.toml: ") for line in lines)


@pytest.mark.parametrize("value", [float("nan"), float("inf"), "thick", [1]])
def test_a_number_must_be_one(value):
    with pytest.raises(StudyError, match=r"trench\.bed_m"):
        parse_settings(LAYERS | {"trench": {"bed_m": value}})


def test_a_misspelt_regime_is_offered_its_name():
    with pytest.raises(StudyError, match=r"a\.toml: .*zones\.regime.*did you mean 'din18920'"):
        parse_settings(LAYERS | {"zones": {"regime": "din18290"}}, file="a.toml")


TEXT = '[layers]\nsewers = "s.gpkg"\ntrees = "t.gpkg"\n\n[study]\nname = "Käthe"\n'


def test_a_study_file_in_another_encoding_is_named_with_its_line(tmp_path):
    path = tmp_path / "study.toml"
    path.write_bytes('[study]\nname = "Gro\u00dfe Stra\u00dfe"\n'.encode("cp1252"))
    with pytest.raises(StudyError, match=r"line 2 is not UTF-8.*save the file again as UTF-8"):
        Study.load(path)


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16"])
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_byte_order_marks_and_line_ends_of_other_systems_are_read(tmp_path, encoding, end):
    path = tmp_path / "study.toml"
    path.write_bytes(TEXT.replace("\n", end).encode(encoding))
    assert Study.load(path).settings.study.name == "Käthe"


@pytest.mark.parametrize("given", ["study.toml", Path("study.toml"), None, 3, {"layers": {}}])
def test_a_job_on_what_is_no_study_says_what_to_pass(given):
    with pytest.raises(StudyError, match=r"run_study takes a Study, not .*; pass Study\.load\("):
        run_study(given)
    with pytest.raises(StudyError, match="prepare_study takes a Study"):
        prepare_study(given)


@pytest.mark.parametrize("given", [None, 3, {"layers": {}}, ["study.toml"]])
def test_a_study_named_by_what_is_no_path_says_what_to_pass(given):
    with pytest.raises(StudyError, match=r"named by a path, not by .*Study\.load"):
        Study.load(given)
    with pytest.raises(StudyError, match="named by a path"):
        Study(given, parse_settings(LAYERS))


def test_a_study_of_what_are_no_settings_says_what_to_pass():
    with pytest.raises(StudyError, match=r"takes the settings in force, not a value of type dict"):
        Study(Path("study.toml"), LAYERS)
    with pytest.raises(StudyError, match="read from a table of sections, not from None"):
        parse_settings(None)


def test_outputs_of_what_is_no_result_say_what_to_pass(tmp_path):
    with pytest.raises(StudyError, match=r"write_outputs takes a Result, .*run_study"):
        write_outputs("study.toml", tmp_path)
    with pytest.raises(StudyError, match=r"summarise takes a Result, .*run_study"):
        summarise(tmp_path)
    assert list(tmp_path.iterdir()) == []


DEEP = LAYERS | {
    "fields": {"trees": {"species": ["A", "B"]}},
    "values": {"sewers": {"material": {"BT": "concrete"}}},
    "missing": {"sewers": {"year": [0]}},
}
CHANGES = {
    "a table": lambda found: found.fields.update(trees={}),
    "a table in a table": lambda found: found.fields["trees"].__setitem__("species", "C"),
    "a list in a table": lambda found: found.fields["trees"]["species"].append("C"),
    "a code": lambda found: found.values["sewers"]["material"].pop("BT"),
    "a default": lambda found: found.crs.__setitem__("trees", "EPSG:1"),
    "a new table": lambda found: found.units.setdefault("trees", {}),
    "merged": lambda found: found.crs.__ior__({"trees": "EPSG:1"}),
    "a copy": lambda found: found.model_copy(update={"crs": {}}).crs.clear(),
    "a deep copy": lambda found: found.model_copy(deep=True).values["sewers"].clear(),
    "a pickled one": lambda found: pickle.loads(pickle.dumps(found.values))["sewers"].clear(),
}


@pytest.mark.parametrize("change", CHANGES.values(), ids=CHANGES)
def test_settings_cannot_be_changed_behind_its_back(change):
    settings = parse_settings(DEEP)
    before = settings.model_dump_json()
    with pytest.raises((TypeError, AttributeError, ValidationError)):
        change(settings)
    assert settings.model_dump_json() == before


def test_the_table_that_was_parsed_may_be_changed_afterwards():
    table = copy.deepcopy(DEEP)
    settings = parse_settings(table)
    table["values"]["sewers"]["material"]["BT"] = "brick"
    assert settings.values["sewers"]["material"] == {"BT": "concrete"}
    assert copy.deepcopy(settings) == settings
    assert pickle.loads(pickle.dumps(settings.values)) == settings.values
