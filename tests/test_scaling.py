"""The time of the whole method grows no faster than the study, and the benchmark runs."""

import json
import sys
import time
from pathlib import Path

from routekit import pipeline
from routekit.pipeline import run_study
from routekit.study import Study

sys.path.append(str(Path(__file__).parent / "bench"))
import bench
import whole
from generated_town import write_district

FEW, MANY = 500, 2000


def measure(count, folder):
    """Processor seconds of this process for one run of a made district of so many runs."""
    write_district(count, folder)
    study = Study.load(folder / "study.toml")
    began = time.process_time()
    result = run_study(study)
    spent = time.process_time() - began
    assert len(result.runs) >= 0.9 * count
    return spent / len(result.runs)


def test_a_run_of_a_larger_study_takes_no_longer(tmp_path):
    """What each study costs once is shared by more runs, so that a run should come cheaper.

    Measured: 0.015 (with what is loaded once) and 0.0075 s a run. A step for every pair of runs
    that costs 5 microseconds makes a run of the larger study dearer than one of the smaller; a
    cheaper one is not seen here: tests/bench/bench.py 2000 20000 tells.
    """
    few, many = (measure(count, tmp_path / str(count)) for count in (FEW, MANY))
    assert many < few, f"{few:.4f} s a run of {FEW}, {many:.4f} s a run of {MANY}"


def test_each_job_of_the_benchmark_runs_and_its_table_is_shown(
    sample_result, tmp_path, capsys, monkeypatch
):
    bench.prepare(10, tmp_path)
    best = {"stock": bench.run_job("stock", tmp_path)}
    whole.measure_overlap(tmp_path, whole.Clock())
    best["overlap"] = best["stock"] | {"printed": capsys.readouterr().out}
    monkeypatch.setattr(pipeline, "run_study", lambda *_, **__: sample_result)
    whole.measure_everything(tmp_path, whole.Clock(), only=("gpkg",))
    best["everything"] = best["stock"] | {"printed": capsys.readouterr().out}
    pairs = json.loads(best["overlap"]["printed"])["pairs"]
    assert pairs > 0
    assert f"pairs={pairs} " in best["stock"]["printed"]
    bench.show(10, best)
    shown = capsys.readouterr().out
    assert shown.count("1.00 x processor") == 2
    assert shown.count("Writing the GeoPackage") == 2
    assert shown.count("result.gpkg") == 1
    bench.show_sizes({10: best, 20: {"overlap": best["overlap"]}})
    rows = capsys.readouterr().out.split("\n")[2:6]
    assert [row.split()[:2] for row in rows] == [
        ["10", "stock"],
        ["10", "overlap"],
        ["10", "everything"],
        ["20", "overlap"],
    ]
    assert [row.split()[5] for row in rows] == ["1.00", "1.00", "1.00", "nan"]
