"""The time of the whole method grows no faster than the study."""

import sys
import time
from pathlib import Path

from routekit.pipeline import run_study
from routekit.study import Study

sys.path.append(str(Path(__file__).parent / "bench"))
from generated_town import write_district

FEW, MANY = 100, 400


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

    Measured: 0.09 and 0.026 s a run. A step for every pair of runs that costs 0.2 ms makes a run
    of the larger study dearer than one of the smaller; a cheaper one is not seen here.
    """
    few, many = (measure(count, tmp_path / str(count)) for count in (FEW, MANY))
    assert many < few, f"{few:.4f} s a run of {FEW}, {many:.4f} s a run of {MANY}"
