"""JUnit XML: a run as a test suite and a result as a test case, so that a build server shows a failed unit as a failed test.

    fail, conditional fail      failure       what the limit was and what was found
    not measured                error         why nothing could be measured
    pass, conditional pass      passed
    no limit                    skipped       there was nothing to judge
    repeated since              skipped       the run of the repeat, whose result counts
    as found, measured as left  skipped       what was left counts

A run that did not end, or whose bench could not be confirmed safe, carries one more case with an error.
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from xml.etree.ElementTree import Element, ElementTree, SubElement, indent

from sequencer.files.write import FileMark, whole_file
from sequencer.results.line import LineFacts
from sequencer.results.stages import counting
from sequencer.results.stored import StoredResult, StoredRun
from sequencer.results.text import channel_in_words, limits_in_words, quantity_in_words, value_in_words
from sequencer.uncertainty.decision import Decision

_FAILED = (Decision.FAIL, Decision.CONDITIONAL_FAIL)


def write_junit(runs: Iterable[StoredRun], path: Path, *, over: FileMark | None = None) -> int:
    """Write runs, each with its ``results``, ``over`` the one file that may stand there; return how many results. FileProblems."""
    root = Element("testsuites", name="sequencer")
    totals = [_suite(root, run) for run in runs]
    _count(root, [sum(column) for column in zip(*totals, strict=True)] if totals else [0, 0, 0, 0])
    indent(root)
    with whole_file(path, over=over) as beside:
        ElementTree(root).write(beside, encoding="utf-8", xml_declaration=True)
    return sum(total[0] for total in totals)


def _suite(root: Element, run: StoredRun) -> list[int]:
    simulated = " (simulated)" if run.simulated else ""
    suite = SubElement(root, "testsuite", name=_xml(f"{run.serial}: {run.sequence}{simulated}"))
    suite.set("timestamp", _xml(run.time.isoformat(timespec="milliseconds")))
    suite.set("hostname", _xml(run.bench))
    properties = SubElement(suite, "properties")
    for name in (
        "run",
        "serial",
        "model",
        "sequence_hash",
        "bench_hash",
        "model_hash",
        "simulated",
        "outcome",
    ):
        SubElement(properties, "property", name=name, value=_xml(getattr(run, name)))
    for name, said in LineFacts.of(run).as_plain().items():
        if said:
            SubElement(properties, "property", name=name, value=_xml(said))
    counts = [0, 0, 0, 0]  # cases, failures, errors, skipped
    counted = {id(row) for row in counting(run.results)}
    for row in run.results:
        _case(suite, row, counts, is_left=id(row) in counted)
    if problems := _problems(run):
        case = SubElement(suite, "testcase", name="the run itself", classname=_xml(f"{run.serial}.run"))
        SubElement(case, "error", message=_xml(problems), type="run")
        counts[0] += 1
        counts[2] += 1
    _count(suite, counts)
    return [*counts]


def _case(suite: Element, row: StoredResult, counts: list[int], *, is_left: bool) -> None:
    case = SubElement(
        suite, "testcase", name=_xml(f"{quantity_in_words(row)}{channel_in_words(row)}, {row.mode}")
    )
    # A point in a serial would read as one more package to a build server.
    case.set("classname", _xml(f"{row.serial.replace('.', '_')}.{row.check}"))
    counts[0] += 1
    limits = limits_in_words(row) or "none"
    said = f"{value_in_words(row)}; limits: {limits}; {row.decision.value}; rule {row.rule}"
    note = f"{said}. {row.note}" if row.note else said
    decision = row.decision
    if not row.counts:
        SubElement(
            case,
            "skipped",
            message=_xml(f"repeated in run {row.replaced_by}, which counts; found: {said}"),
        )
        counts[3] += 1
    elif not is_left:
        SubElement(case, "skipped", message=_xml(f"as found; what was left counts; found: {said}"))
        counts[3] += 1
    elif decision in _FAILED:
        SubElement(case, "failure", message=_xml(said), type=_xml(decision.value)).text = _xml(note)
        counts[1] += 1
    elif decision is Decision.NOT_MEASURED:
        SubElement(case, "error", message=_xml(row.note or said), type=_xml(decision.value)).text = _xml(note)
        counts[2] += 1
    elif decision is Decision.NO_LIMIT:
        SubElement(case, "skipped", message=_xml(said))
        counts[3] += 1
    SubElement(case, "system-out").text = _xml(note)


def _problems(run: StoredRun) -> str:
    said = [] if run.outcome == "done" else [f"the run did not end as planned: {run.outcome}"]
    if run.was_left_unsafe:
        said.append("the bench could not be confirmed safe")
    return "; ".join(said)


def _count(element: Element, counts: list[int]) -> None:
    for name, count in zip(("tests", "failures", "errors", "skipped"), counts, strict=True):
        if element.tag == "testsuite" or name != "skipped":
            element.set(name, str(count))


def _xml(text: object) -> str:
    """Return text that XML 1.0 can carry: what it forbids is spelt out."""
    return "".join(
        c
        if c in "\t\n" or (c.isprintable() and not "\ud800" <= c <= "\udfff")
        else c.encode("unicode_escape").decode()
        for c in str("" if text is None else text)
    )
