"""A headless Chromium and pages to look at.

Without a Chromium the tests are skipped with the reason; with DYNOSTATS_REQUIRE_BROWSER=1 they
fail instead, so that a machine meant to run them cannot pass without.
"""

from __future__ import annotations

import os
import shutil
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "report"))

CHROMIUM_FLAGS = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)


def find_chromium() -> str | None:
    """Return the path of Debian's Chromium, or of one under its other names."""
    return shutil.which("chromium") or shutil.which("chromium-browser")


@pytest.fixture(scope="session")
def browser():
    """Return a running headless Chromium."""
    path = find_chromium()
    if path is None:
        reason = "no chromium on the path (Debian: apt-get install chromium)"
        if os.environ.get("DYNOSTATS_REQUIRE_BROWSER") == "1":
            pytest.fail(reason)
        pytest.skip(reason)
    from playwright.sync_api import sync_playwright  # noqa: PLC0415 - only where there is a browser

    with sync_playwright() as playwright:
        running = playwright.chromium.launch(executable_path=path, args=list(CHROMIUM_FLAGS))
        yield running
        running.close()


@pytest.fixture(scope="session")
def report_file(tmp_path_factory):
    """Return the example report as a file, as a customer would open it."""
    from comparison_example import example_comparison  # noqa: PLC0415 - needs the path set above

    from dynostats.report import Provenance, Shop, write_report  # noqa: PLC0415 - heavy

    return write_report(
        example_comparison(),
        tmp_path_factory.mktemp("report") / "finding.html",
        shop=Shop(name="Example Workshop", address=("1 Test Lane",), remarks=("A remark.",)),
        provenance=Provenance(version="0.1.0", command="dynostats compare", created="2024-05-12"),
    )


class Visit:
    """An open page with everything it complained about or asked the network for."""

    def __init__(self, page) -> None:
        """Listen before anything is loaded."""
        self.page = page
        self.complaints: list[str] = []
        self.requests: list[str] = []
        page.on("console", lambda message: self.complaints.append(message.text))
        page.on("pageerror", lambda error: self.complaints.append(str(error)))
        page.on("request", lambda request: self.requests.append(request.url))

    def open(self, path: Path) -> None:
        """Open a report and wait until its live charts are drawn."""
        self.page.goto(path.as_uri())
        self.page.wait_for_selector("html[data-ready=yes]", state="attached")


@pytest.fixture
def visit(browser):
    """Return a function that opens a report with given context options."""
    contexts = []

    def open_report(path: Path, *, wait: bool = True, **options) -> Visit:
        options = {"viewport": {"width": 1280, "height": 900}} | options
        context = browser.new_context(**options)
        contexts.append(context)
        found = Visit(context.new_page())
        if wait:
            found.open(path)
        else:
            found.page.goto(path.as_uri())
        return found

    yield open_report
    for context in contexts:
        context.close()


@pytest.fixture(scope="session")
def axe_findings():
    """Return a function that lists what axe-core finds wrong on an open page.

    The page must be open with `bypass_csp=True`. Without axe-core the test is skipped.
    """
    source = os.environ.get("DYNOSTATS_AXE", "")
    if not source:
        pytest.skip("DYNOSTATS_AXE does not name axe-core's axe.min.js (npm install axe-core)")
    script = Path(source).read_text(encoding="utf-8")
    tags = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]

    def findings(page) -> list[str]:
        page.evaluate(script)
        return page.evaluate(
            "tags => axe.run({ runOnly: { type: 'tag', values: tags } }).then(r => "
            "r.violations.map(v => v.impact + ' ' + v.id + ': ' + v.nodes.map(n => "
            "n.html.slice(0, 120)).join(' | ')))",
            tags,
        )

    return findings
