"""What all tests share."""

import contextlib
import hashlib
import os
import pickle
import shutil

import pytest

# Two workers of the test runner on two cores: the numeric libraries keep to one thread each.
for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(name, "1")


DRAWING = {"figures": False}
"""Whether the test that runs now has its figures drawn: rooms that hold what they show, and tests marked `draws`."""
ROOMS_THAT_DRAW = ("tests/report/", "tests/figures/", "tests/docs/", "tests/atlas/")


@pytest.hookimpl(tryfirst=True)
def pytest_runtest_setup(item):
    """Before any fixture of a test, a module's too."""
    drawn = item.nodeid.startswith(ROOMS_THAT_DRAW) or item.get_closest_marker("draws")
    DRAWING["figures"] = bool(drawn)


@pytest.fixture(autouse=True, scope="session")
def figures_stand_for_their_data():
    """Write in place of a figure a small SVG and PNG that hold the digest of what would be drawn.

    Most of a small run's time is drawing. A figure of other data is other bytes, as a drawn one is.
    """
    import cv2
    import numpy as np

    from micro import results
    from micro.report import page

    begun = page._begun

    def begun_or_stood_for(task, pool):
        if DRAWING["figures"]:
            return begun(task, pool)
        folder, name, *given = task.args
        digest = hashlib.sha256(pickle.dumps((name, *given))).digest()
        png = cv2.imencode(".png", np.frombuffer(digest, np.uint8).reshape(4, 8))[1].tobytes()
        svg = f'<svg xmlns="http://www.w3.org/2000/svg"><desc>{digest.hex()}</desc></svg>'.encode()
        for kind, content in {"svg": svg, "png": png}.items():
            with results.whole_file(folder / f"{name}.{kind}") as stream:
                stream.write(content)
        return lambda: svg

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(page, "_begun", begun_or_stood_for)
        yield


@pytest.fixture
def run_micro(capsys):
    """Give the command line in this process: run_micro("measure", ...) returns its status, stdout and stderr."""
    from micro.cli import main

    def run(*arguments):
        with pytest.raises(SystemExit) as ended:
            main([*map(str, arguments)])
        return ended.value.code, *capsys.readouterr()

    return run


@pytest.fixture
def without_pages(monkeypatch):
    """Let runs in this process write their tables, and neither figures nor a page: half of their time."""
    monkeypatch.setattr("micro.run.study.write_pages", lambda *given: None)


@contextlib.contextmanager
def headless():
    """Open a headless browser; the test is skipped where none is installed."""
    if not (shutil.which("chromium") and shutil.which("chromedriver")):
        pytest.skip("no browser here: install chromium and its driver to run these tests")
    from selenium import webdriver
    from selenium.webdriver.chrome.service import Service

    options = webdriver.ChromeOptions()
    options.binary_location = shutil.which("chromium")
    for argument in ("--headless=new", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage"):
        options.add_argument(argument)
    options.add_argument("--window-size=1280,900")
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    driver = webdriver.Chrome(options=options, service=Service(shutil.which("chromedriver")))
    try:
        yield driver
    finally:
        driver.quit()


@pytest.fixture(scope="session")
def one_browser():
    """Browser of this worker of the test runner."""
    with headless() as driver:
        yield driver


@pytest.fixture
def new_browser():
    """Browser that has shown no page, for what a page takes of memory."""
    with headless() as driver:
        yield driver


@pytest.fixture(scope="module")
def browser(one_browser):
    """Give it to the tests of a file, as wide as a desktop, with no page and no complaint of others."""
    one_browser.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})
    one_browser.get("about:blank")
    one_browser.get_log("browser")
    return one_browser


def pytest_terminal_summary(terminalreporter):
    """Print the counts that tests record, whichever process ran them."""
    for report in terminalreporter.stats.get("passed", []):
        for name, value in report.user_properties:
            terminalreporter.write_line(f"{name}: {value}")
