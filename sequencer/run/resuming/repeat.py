"""Repeating checks of an earlier run: which run is meant, and whether it can be repeated.

    sequencer run SEQUENCE --bench BENCH --serial M40-0007 --only sensitivity --again --reason "plug was loose"

*Which run*: the last run of that unit with the sequence of that name (of a simulated bench for a simulated one, of a real one for a real
one) that is no repeat itself, or the one named with --of; naming a repeat means the run that it repeats. It must hold a result of each
check chosen.

*What counts*: of each check, on each channel, the last repeat that ended, whatever it came to, so that nobody measures until it passes
unseen. What was found before stays in the store, with the run that has taken its place, and that run's reason. A repeat that was cut
short before a check's end replaces nothing of that check. Confirmations are not replaced: each result carries those it was found under.

*What has changed since*: the sequence file must not have: under another deviation or another limit it would be no repeat. The bench file
may have (a cable that was changed is a reason to repeat); that is said, and each result carries the hash of its own.
"""

from __future__ import annotations

from sequencer.analysis.runs import named_run
from sequencer.frozen import dataclass
from sequencer.planning.plan import Plan
from sequencer.problems import FileProblems, about_file, nearest, printable
from sequencer.results.line import LineFacts
from sequencer.results.store.place import StorePlace
from sequencer.results.store.store import Store, Wanted
from sequencer.results.stored import StoredRun
from sequencer.run.facts import Again

REASON_MAX = 200
_NEWEST = 200
"""In how many runs of the unit an earlier one is looked for."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Repeated:
    """The run that is repeated, and what has changed since, in words."""

    run: str
    changed: tuple[str, ...] = ()
    line: LineFacts = LineFacts()

    def because(self, reason: str) -> Again:
        """Return it with the reason."""
        return Again(run=self.run, reason=reason)


def find_repeated(plan: Plan, place: StorePlace, *, serial: str, simulated: bool, of: str = "") -> Repeated:
    """Return the run that ``plan``'s checks repeat. Raises FileProblems where there is none, or it cannot be repeated."""
    if place.path is not None and not place.path.exists():
        raise _refused(
            f"there is no store {place} yet, and so no earlier run",
            "the folder of the earlier run, with --folder",
        )
    with Store.open_to_read(place) as store:
        sequence = plan.sequence.sequence.sequence
        first = _named(of, store, serial) if of else _last(store, serial, sequence, simulated)
        if first is None:
            kind = "simulated" if simulated else "real"
            raise _refused(
                f"no run of unit {serial!r} with the sequence {printable(sequence)!r} on a {kind} bench in {place}",
                "a run that 'sequencer results' lists, with --of; without --again the checks are measured as a run of their own",
            )
        rows = [row for run in (first, *store.read_repeats(first.run)) for row in store.read_results(run.run)]
    _refuse_other(first, plan, serial=serial, simulated=simulated)
    found = {(row.check_index, row.check) for row in rows}
    checks = dict.fromkeys(step.check.name for step in plan.steps if step.check.name in plan.only)
    missing = [
        name
        for name in checks
        if not any((step.index, name) in found for step in plan.steps if step.check.name == name)
    ]
    if missing:
        raise _refused(
            f"run {first.run} holds no result of {', '.join(missing)} (outcome: {printable(first.outcome)})",
            "another run, with --of; without --again the checks are measured as a run of their own",
        )
    return Repeated(run=first.run, changed=tuple(_changed(first, plan)), line=LineFacts.of(first))


def check_reason(reason: str) -> str:
    """Return a reason that can stand in a row and on a screen. Raises FileProblems."""
    stripped = " ".join(reason.split())
    if stripped and len(stripped) <= REASON_MAX and stripped.isprintable():
        return stripped
    wrong = "is empty" if not stripped else f"has {len(stripped)} characters"
    if stripped and len(stripped) <= REASON_MAX:
        wrong = "holds a control character"
    raise about_file(
        "--reason",
        f"the reason {wrong}",
        found=printable(stripped)[:40],
        allowed=f"1 to {REASON_MAX} printable characters, such as 'plug was loose'",
    )


def _last(store: Store, serial: str, sequence: str, simulated: bool) -> StoredRun | None:
    runs = store.read_runs(Wanted(serials=(serial,), sequence=sequence, measured=True), limit=_NEWEST)
    return next((run for run in runs if not run.again and run.simulated == simulated), None)


def _named(name: str, store: Store, serial: str) -> StoredRun:
    found = named_run(name, store, "--of")
    if found is not None and found.again:
        found = store.read_run(found.again) or found
    if found is None:
        alike = nearest(name, [run.run for run in store.read_runs(serial=serial, limit=_NEWEST)])
        raise about_file(
            "--of",
            f"no run {printable(name)[:60]!r} in this store",
            allowed=f"a run that 'sequencer results --serial {serial}' lists",
            hint=f"did you mean {alike[0]}?" if alike else "",
        )
    return found


def _refuse_other(first: StoredRun, plan: Plan, *, serial: str, simulated: bool) -> None:
    """Raise FileProblems unless the earlier run is of this unit, this sequence as it is now, and this kind of bench."""
    run = first.run
    if first.serial != serial:
        raise _refused(
            f"run {run} is of unit {printable(first.serial)!r}, not of {serial!r}",
            "a run of this unit",
        )
    if first.simulated != simulated:
        kind = "a simulated bench" if first.simulated else "a real bench"
        raise _refused(f"run {run} was on {kind}, and this is the other kind", "a run on this kind of bench")
    if first.sequence_hash != plan.sequence.hash:
        raise _refused(
            f"the sequence {plan.sequence.path.name} is not the one of run {run} any more ({first.sequence_hash} then, "
            f"{plan.sequence.hash} now), so that its checks would be no repeat",
            "the sequence file as it was; or a new run of the whole sequence, without --only and --again",
        )
    if first.model_hash != plan.sequence.model_hash:
        raise _refused(
            f"the model file is not the one of run {run} any more ({first.model_hash or 'none'} then, "
            f"{plan.sequence.model_hash or 'none'} now), so that its checks would be no repeat",
            "the model file as it was; or a new run of the whole sequence, without --only and --again",
        )


def _changed(first: StoredRun, plan: Plan) -> list[str]:
    if first.bench_hash == plan.bench.hash:
        return []
    then = f"{printable(first.bench)}, {first.bench_hash}"
    return [
        f"The bench is not as it was in run {first.run} ({then} then; {plan.bench.hash} now); each result carries its own."
    ]


def _refused(message: str, allowed: str) -> FileProblems:
    return about_file("--again", message, allowed=allowed)
