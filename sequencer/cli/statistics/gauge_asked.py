"""What `gauge` is asked: to make a study, to show one that is kept, or to show readings made elsewhere; one of the three."""

from __future__ import annotations

import re
from pathlib import Path

from sequencer.files.ordinary import is_there
from sequencer.problems import about_file, option_problem


def gauge_asked(
    study: Path | None,
    *,
    bench_name: str | None,
    model: str,
    confirmed: bool,
    dry_run: bool,
    unasked: bool,
    show: str,
    end_early: bool,
    listed: Path | None,
    lower: str,
    upper: str,
    folder: Path,
    store: str,
    as_json: bool,
) -> int:
    """Do what is asked; returns the exit status. Raises InputError for nothing, or for several things at once."""
    asked = [name for name, given in (("STUDY", study), ("--show", show), ("--from", listed)) if given]
    if len(asked) != 1:
        raise about_file(
            "gauge",
            f"{' and '.join(asked)} together" if asked else "nothing is asked for",
            allowed="STUDY with --bench to make a study, --show NAME, or --from FILE",
            hint="'sequencer new gauge NAME' writes a study to begin with",
        )
    if end_early and not show:
        raise option_problem("--end-early", "it goes with --show", allowed="--show NAME beside it")
    if listed is None and (lower or upper):
        raise option_problem(
            "--lower" if lower else "--upper",
            "it goes with --from alone",
            allowed="the limits of the sequence hold",
        )
    if study is None:
        from sequencer.cli.statistics.gauge import show_list, show_study

        if listed is not None:
            return show_list(listed, lower, upper, as_json=as_json)
        return show_study(show, folder, store, ends=end_early, as_json=as_json)
    if not is_there(study):
        raise about_file(
            study,
            "there is no such file",
            allowed="a file that plans a gauge study",
            hint=f"'sequencer new gauge {_name_for(study)}' writes one to begin with; --show NAME shows a study that was made",
        )
    if not bench_name:
        raise option_problem("--bench", "it is not given", allowed="a bench file, or a shipped one's name")
    from sequencer.cli.run import Asked
    from sequencer.cli.statistics.gauge_run import gauge_command

    made = Asked(
        sequence_name="",
        bench_name=bench_name,
        serial="",
        model=model,
        confirmed=confirmed,
        dry_run=dry_run,
        folder=folder,
        store=store,
    )
    return gauge_command(study, made, unasked=unasked, as_json=as_json)


def _name_for(study: Path) -> str:
    """Return the name that a new study of this file's name could have."""
    plain = re.sub(r"[^A-Za-z0-9_-]+", "-", study.stem).strip("-")[:40]
    return plain or "NAME"
