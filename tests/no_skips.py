"""A pytest plug-in: a run in which a test was skipped has failed. A missing part is a reason to say so, not to look away."""

import pytest


def pytest_sessionfinish(session: pytest.Session) -> None:
    """Fail the session where anything was skipped."""
    reporter = session.config.pluginmanager.get_plugin("terminalreporter")
    skipped = reporter.stats.get("skipped", []) if reporter else []
    if skipped and session.exitstatus == pytest.ExitCode.OK:
        session.exitstatus = pytest.ExitCode.TESTS_FAILED


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Name what was skipped."""
    for report in terminalreporter.stats.get("skipped", []):
        terminalreporter.write_line(f"FAILED: skipped {report.nodeid}: {report.longrepr[2]}", red=True)
