"""What the gate decided as JUnit XML: a suite a record, a test case a row or statement. The only user of junitparser.

The form is the one that build servers read (``tests/show/junit.xsd`` states it); a waived row is a skipped case, so it
stays in sight.
"""

from __future__ import annotations

from collections.abc import Sequence

from junitparser import Failure as Failed
from junitparser import JUnitXml, Skipped, TestCase, TestSuite

from harness.judge.gate import Failure, Gated
from netlists.errors import one_line

SUITES = "bulkrail gate"


def junit_text(found: Sequence[Gated]) -> str:
    """The whole document, in UTF-8."""
    document = JUnitXml(SUITES)
    for one in found:
        document.add_testsuite(_suite(one))
    document.update_statistics()
    return str(document.tostring().decode())


def _suite(gated: Gated) -> TestSuite:
    suite = TestSuite(gated.record)
    about: dict[str, list[Failure]] = {key: [] for key in gated.rows}
    for failure in gated.failures:
        about.setdefault(failure.key, []).append(failure)
    suite.add_testcases([_case(gated.record, key, failures) for key, failures in about.items()])
    return suite


def _case(record: str, key: str, failures: Sequence[Failure]) -> TestCase:
    case = TestCase(_xml(key), classname=record)
    case.time = 0.0
    still = [one for one in failures if not one.waiver]
    if still:
        failed = Failed(_xml(still[0].message), still[0].kind)
        failed.text = "\n".join(_xml(f"{one.kind}: {one.message}") for one in still)
        case.result = [failed]
    elif failures:
        case.result = [Skipped(_xml(f"{failures[0].kind}, waived by {failures[0].waiver}: {failures[0].message}"))]
    return case


def _xml(text: str) -> str:
    """A line without characters that XML cannot hold."""
    return one_line(text)
