"""The sample district, run once for all tests, and which tests need more than Python."""

import os
import shutil
from pathlib import Path

import pytest
from playwright.sync_api import sync_playwright
from sample_copy import SampleCopy, copy_sample
from setting_reads import SettingReads

from routekit.pipeline import run_study
from routekit.study import Study

BROWSER = Path(__file__).parent / "browser"
ARGUMENTS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]


def pytest_collection_modifyitems(items):
    """Mark the tests that drive a browser."""
    for item in items:
        if BROWSER in item.path.parents:
            item.add_marker("needs_system")


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
    """The study of the sample district, on a copy of its own."""
    return Study.load(copy_sample(tmp_path_factory.mktemp("sample")))


@pytest.fixture(scope="session")
def setting_reads():
    """What has been read of the settings in running the sample and writing its outputs."""
    return SettingReads()


@pytest.fixture(scope="session")
def sample_result(sample_study, setting_reads):
    """The result of the sample district; no test may change it."""
    with setting_reads.record():
        return run_study(sample_study)


@pytest.fixture(scope="session")
def browser():
    """Debian's Chromium, started once: two of them in one process stand in each other's way."""
    program = shutil.which("chromium")
    if program is None:
        pytest.skip("chromium is not installed")
    with sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=program, args=ARGUMENTS)
        yield started
        started.close()


@pytest.fixture
def sample_copy(tmp_path, monkeypatch):
    """A copy of the sample to spoil, in the folder where the test runs."""
    monkeypatch.chdir(tmp_path)
    return SampleCopy(tmp_path / "study")
