"""The sample district, run once for all tests, and which tests need more than Python."""

import gc
import os
import shutil
from pathlib import Path

import pytest
from chromium import ARGUMENTS, DESKTOP, settle_before_each_step, wait_until_ready
from hypothesis import HealthCheck, settings
from playwright.sync_api import sync_playwright
from sample_copy import SampleCopy, copy_sample
from setting_reads import SettingReads
from shared import find_shared_folder, make_shared

from routekit.outputs.write import write_outputs
from routekit.pipeline import run_study
from routekit.study import Study
from routekit.sureness.report import tell_sureness

BROWSER = Path(__file__).parent / "browser"

# No test is timed: a busy machine is no defect.
settings.register_profile("untimed", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("untimed")


LONGEST = "test_tool_finds_nothing[types]"
"""The one test that takes more than a minute: begun last, it would leave the others idle."""


def pytest_collection_modifyitems(items):
    """Mark the tests that drive a browser; begin with the longest."""
    for item in items:
        if BROWSER in item.path.parents:
            item.add_marker("needs_system")
    items.sort(key=lambda item: item.name != LONGEST)


def pytest_collection_finish():
    """Look for cycles less often, and never among what is there before the first test.

    The tables of a run hold millions of objects and hardly a cycle: looking took 7 % of the time.
    """
    gc.collect()
    gc.freeze()
    gc.set_threshold(50_000, 20, 20)


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config, log):
    """Give each process tests that stand together: what a file shares is then made once.

    Whoever is done first takes over the rest of another.
    """
    if config.getvalue("dist") != "load":
        return None
    from xdist.scheduler import WorkStealingScheduling  # noqa: PLC0415

    return WorkStealingScheduling(config, log)


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item):
    """Let a test that needs a program fail, not be skipped, where the programs must be there."""
    report = yield
    must_run = os.environ.get("ROUTEKIT_SKIP_NOTHING") and item.get_closest_marker("needs_system")
    if report.skipped and must_run:
        report.outcome = "failed"
        report.longrepr = f"may not be skipped here: {report.longrepr}"
    return report


@pytest.fixture(scope="session")
def sample_study(tmp_path_factory):
    """The study of the sample district, on a copy of its own; no test may change it."""
    folder = find_shared_folder(tmp_path_factory, "sample")
    return Study.load(make_shared(folder, "study", lambda: copy_sample(folder / "district")))


@pytest.fixture(scope="session")
def setting_reads():
    """What has been read of the settings in running the sample and writing its outputs."""
    return SettingReads()


def run_sample(study):
    """The result of a study, what its sureness was told from, and the settings that were read."""
    given, reads = {}, SettingReads()

    def keep(renewal, near_misses, settings):
        given.update(renewal=renewal, near=near_misses)
        return tell_sureness(renewal, near_misses, settings)

    with reads.record(), pytest.MonkeyPatch.context() as patch:
        patch.setattr("routekit.pipeline.tell_sureness", keep)
        return run_study(study), given, reads.seen


@pytest.fixture(scope="session")
def sample_runs():
    """What the sample's sureness was told from, if it was run in this process."""
    return []


@pytest.fixture(scope="session")
def sample_given(sample_study, sample_result, sample_runs):
    """What the sample's sureness was told from, renewal and near misses: of this process alone."""
    assert sample_result is not None
    return sample_runs[0] if sample_runs else run_sample(sample_study)[1]


@pytest.fixture(scope="session")
def sample_result(sample_study, setting_reads, sample_runs, tmp_path_factory):
    """The result of the sample district; no test may change it."""

    def run():
        result, given, seen = run_sample(sample_study)
        sample_runs.append(given)
        return result, seen

    result, seen = make_shared(find_shared_folder(tmp_path_factory, "sample"), "result", run)
    setting_reads.seen |= seen
    return result


@pytest.fixture(scope="session")
def sample_written(sample_result, setting_reads, tmp_path_factory):
    """A folder with the sample's outputs, what was told, files and notes; no test may change it."""
    folder = find_shared_folder(tmp_path_factory, "sample")

    def write():
        told, reads = [], SettingReads()
        with reads.record():
            files, notes = write_outputs(
                sample_result, folder / "written", tell=lambda stage: told.append(str(stage))
            )
        return told, files, notes, reads.seen

    told, files, notes, seen = make_shared(folder, "outputs", write)
    setting_reads.seen |= seen
    return folder / "written", told, files, notes


@pytest.fixture(scope="session")
def browser():
    """Debian's Chromium, started once: two of them in one process stand in each other's way."""
    program = shutil.which("chromium")
    if program is None:
        pytest.skip("chromium is not installed")
    with sync_playwright() as playwright, pytest.MonkeyPatch.context() as patch:
        settle_before_each_step(patch)
        started = playwright.chromium.launch(executable_path=program, args=ARGUMENTS)
        yield started
        started.close()


@pytest.fixture
def open_page(browser):
    """Open files in fresh contexts; at the end, each must have asked for itself alone, silently."""
    visits = []

    def visit(path, size=None, address="", allowed=()):
        context = browser.new_context(viewport=size or DESKTOP, accept_downloads=True)
        page = context.new_page()
        asked, complaints = [], []
        page.on("request", lambda request: asked.append(request.url))
        page.on("console", lambda message: _note(message, complaints))
        page.on("pageerror", lambda error: complaints.append(str(error)))
        own = {file.as_uri() for file in (Path(path), *map(Path, allowed))}

        def let_through(route):
            is_own = route.request.url.split("#")[0] in own
            route.continue_() if is_own else route.abort()

        context.route("**/*", let_through)
        visits.append((context, own, asked, complaints))
        page.goto(Path(path).as_uri() + address)
        wait_until_ready(page)
        return page

    yield visit
    for context, own, asked, complaints in visits:
        context.close()
        outside = {
            url for url in asked if url.split("#")[0] not in own and not url.startswith("blob:")
        }
        assert outside == set()
        assert complaints == []


def _note(message, complaints):
    """Keep warnings and errors."""
    if message.type in ("error", "warning"):
        complaints.append(f"{message.type}: {message.text}")


@pytest.fixture
def sample_copy(tmp_path, monkeypatch):
    """A copy of the sample to spoil, in the folder where the test runs."""
    monkeypatch.chdir(tmp_path)
    return SampleCopy(tmp_path / "study")
