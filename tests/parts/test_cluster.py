"""Parts judged by a Dask cluster: as many workers as there are, the same result."""

import os
import sys
from pathlib import Path

import pytest

from routekit.errors import StudyError
from routekit.outputs.geopackage import write_geopackage
from routekit.parts.cluster import open_cluster as connect
from routekit.parts.run import run_by_parts
from routekit.pipeline import run_study
from routekit.study import Study

sys.path += [str(Path(__file__).parent), str(Path(__file__).parents[1] / "bench")]
from generated_town import write_district
from test_run_by_parts import assert_same


def quiet(_):
    """Tell nobody."""


@pytest.fixture(scope="module")
def town(tmp_path_factory):
    """A district of two blocks' ends, and its result in one piece."""
    study = Study.load(write_district(16, tmp_path_factory.mktemp("town")))
    return study, run_study(study)


def open_cluster(workers, *, processes=False):
    """A cluster of threads in this process, or of processes."""
    distributed = pytest.importorskip("distributed")
    return distributed.LocalCluster(
        n_workers=workers,
        threads_per_worker=1,
        processes=processes,
        dashboard_address=None,
        protocol="tcp",
    )


@pytest.mark.parametrize("workers", [1, 2])
def test_a_cluster_finds_what_one_process_finds(town, tmp_path, workers):
    study, whole = town
    with open_cluster(workers) as cluster:
        found = run_by_parts(
            study,
            tmp_path / "parts",
            parts=2,
            scheduler=cluster.scheduler_address,
            tell=quiet,
        )
    assert_same(found, whole)
    write_geopackage(found, tmp_path / "result.gpkg")
    assert len(list((tmp_path / "parts").iterdir())) == 2


def test_a_scheduler_that_does_not_answer_is_named(town, tmp_path, monkeypatch):
    pytest.importorskip("distributed")
    monkeypatch.setattr("routekit.parts.cluster._WAIT_S", 0.5)
    with pytest.raises(StudyError, match=r"127\.0\.0\.1:9: no scheduler answers there"):
        run_by_parts(
            town[0], tmp_path / "parts", parts=2, scheduler="tcp://127.0.0.1:9", tell=quiet
        )


def die_once(marker):
    """Take the worker down the first time, as a lost machine would."""
    if not marker.exists():
        marker.touch()
        os._exit(1)
    return "judged"


def test_a_part_whose_worker_is_lost_is_judged_again(tmp_path):
    with (
        open_cluster(1, processes=True) as cluster,
        connect(cluster.scheduler_address) as pool,
    ):
        assert pool.submit(die_once, tmp_path / "marker").result(timeout=300) == "judged"
