"""What somebody elsewhere is told: that a run failed, and what; and at the end what came of all."""

from __future__ import annotations

from sequencer.cli.unattended.report import wrong_lines
from sequencer.cli.unattended.words import ended_lines, stands_lines
from sequencer.problems import printable
from sequencer.run.series.events import RunCame, SeriesBegan, SeriesEnded, SeriesEvent
from sequencer.run.series.notify import Message
from sequencer.run.series.teller import Teller
from sequencer.run.series.turn import RunReport
from sequencer.run.status import ExitStatus

_HOW = {
    ExitStatus.PASSED: "all limits met",
    ExitStatus.FAILED: "limits not met",
    ExitStatus.INPUT_WRONG: "could not begin",
    ExitStatus.BENCH_FAILED: "the bench failed",
    ExitStatus.INTERRUPTED: "interrupted",
}


class Notifications:
    """Listens to a series and tells: of a run that failed, unless the one before failed alike; of a bench not confirmed safe; the end."""

    def __init__(self, teller: Teller) -> None:
        self._teller = teller
        self._before: dict[str, tuple[str, ...]] = {}
        self._untold = 0
        self._sequence = ""
        self._bench = ""

    def __call__(self, event: SeriesEvent) -> None:
        """Take one event."""
        match event:
            case SeriesBegan():
                self._sequence, self._bench = event.sequence, event.bench
            case RunCame():
                self._came(event)
            case SeriesEnded():
                self._teller.tell(self._ended(event))

    def _came(self, event: RunCame) -> None:
        report = event.report
        if not event.final and report.safe:
            return
        alike = self._before.get(report.serial, ())
        self._before[report.serial] = report.alike if report.status is not ExitStatus.PASSED else ()
        if report.status in (ExitStatus.PASSED, ExitStatus.INTERRUPTED) and report.safe:
            return
        if alike == report.alike:
            self._untold += 1
        else:
            self._teller.tell(self._failed(event))

    def _failed(self, event: RunCame) -> Message:
        report = event.report
        how = _HOW[report.status] if report.safe else "THE BENCH COULD NOT BE CONFIRMED SAFE"
        lines = [f"{event.turn}: {report.verdict}", *wrong_lines(report)]
        if event.turn.unit.comment:
            lines.append(f"of the unit: {printable(event.turn.unit.comment)}")
        lines += _last_line(report, lines)
        lines += [f"run {report.run}", *stands_lines(report)] if report.run else []
        if event.final:
            lines.append("Further runs of this unit that fail alike are counted and not told one by one.")
        return Message(
            title=self._title(report.serial, how, simulated=report.simulated),
            text="\n".join(lines),
            facts=self._facts("failure", report),
        )

    def _ended(self, event: SeriesEnded) -> Message:
        lines = ended_lines(event)
        if self._untold:
            lines.append(f"runs that failed like the one before them, and were not told: {self._untold}")
        report = event.report
        if report is not None:
            lines += ["the last run:", f"{printable(report.serial)}: {report.verdict}", *wrong_lines(report)]
            lines += _last_line(report, lines)
        counts = event.summary
        facts = {
            **self._facts("end", report),
            "status": str(int(counts.status)),
            "why": event.why.value,
            "runs": str(counts.made),
            "passed": str(counts.passed),
            "failed": str(counts.failed),
            "bench_failed": str(counts.bench_failed),
        }
        simulated = report.simulated if report is not None else "(simulated)" in self._bench
        title = self._title(printable(self._sequence), f"ended, {counts.counts()}", simulated=simulated)
        return Message(title=title, text="\n".join(lines), facts=facts)

    def _title(self, what: str, how: str, *, simulated: bool) -> str:
        return f"{'SIMULATED: ' if simulated else ''}{printable(what)}: {how}"

    def _facts(self, kind: str, report: RunReport | None) -> dict[str, str]:
        facts = {"event": kind, "sequence": self._sequence, "bench": self._bench}
        if report is None:
            return facts
        return facts | {
            "unit": report.serial,
            "model": report.model,
            "run": report.run,
            "status": str(int(report.status)),
            "verdict": report.verdict,
            "simulated": "yes" if report.simulated else "no",
            "bench_safe": "yes" if report.safe else "no",
            "table": report.table,
            "store": report.store,
        }


def _last_line(report: RunReport, said: list[str]) -> list[str]:
    """Return how the bench was left, unless it was said already."""
    last = printable(report.last_line)
    return [last] if last and last not in said else []
