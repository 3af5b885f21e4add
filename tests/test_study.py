"""The study file: read as typed settings, or refused with the nearest known name."""

import pytest
from pydantic import ValidationError

from routekit.errors import StudyError
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

    monkeypatch.setattr(type(path), "read_text", refuse)
    with pytest.raises(StudyError, match=r"study\.toml: cannot be read \(Permission denied\)"):
        Study.load(path)


@pytest.mark.parametrize("group", sorted(StudySettings.model_fields))
def test_a_misspelt_section_is_offered_its_name(group):
    with pytest.raises(StudyError, match=rf'{group}x: unknown setting; did you mean "{group}"'):
        parse_settings(LAYERS | {f"{group}x": {}}, file="a.toml")


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
