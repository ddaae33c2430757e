"""Fuzzes what comes from outside, guided by the branches that are taken: `python -m tests.benchmarks.fuzz [TARGET ...] [--runs N]`.

Each target runs in a process of its own under atheris (libFuzzer), which begins with the right samples, mutates them and keeps what
reaches a new branch. A traceback, an input that takes longer than ten seconds or 2 GB is a defect: the input is printed and kept in --into.
Without TARGET all are run. What a target may raise stands in tests/support/fuzz_targets.py.
"""

from __future__ import annotations

import re
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import click

from tests.support.fuzz_targets import targets

TOP = Path(__file__).parents[2]
SECONDS_AN_INPUT, MEGABYTES = 10, 2048


@click.command()
@click.argument("names", nargs=-1)
@click.option("--runs", default=100_000, show_default=True, help="Inputs for each target.")
@click.option("--seed", default=1, show_default=True)
@click.option("--longest", default=8192, show_default=True, help="Bytes of the longest input.")
@click.option("--into", type=click.Path(path_type=Path), default=Path("fuzz-findings"), show_default=True)
def main(names: tuple[str, ...], runs: int, seed: int, longest: int, into: Path) -> None:
    """Fuzz targets and print a line for each: inputs, branches reached, and what was found."""
    known = targets()
    if unknown := [one for one in names if one not in known]:
        raise click.UsageError(f"no such target: {unknown[0]}; there are {', '.join(known)}")
    found = 0
    for name in names or known:
        found += _fuzz(name, known[name].samples(), runs=runs, seed=seed, longest=longest, into=into)
    sys.exit(1 if found else 0)


def _fuzz(name: str, samples: tuple[bytes, ...], *, runs: int, seed: int, longest: int, into: Path) -> int:
    into.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as scratch:
        corpus = Path(scratch) / "corpus"
        corpus.mkdir()
        for at, sample in enumerate(samples):
            (corpus / str(at)).write_bytes(sample[:longest])
        words = [sys.executable, "-m", "tests.benchmarks.fuzz_one", name, scratch, str(corpus)]
        words += [f"-runs={runs}", f"-seed={seed}", f"-max_len={longest}", f"-timeout={SECONDS_AN_INPUT}"]
        words += [
            f"-rss_limit_mb={MEGABYTES}",
            f"-artifact_prefix={into}/{name.replace(' ', '-')}-",
            f"-dict={_words(scratch)}",
        ]
        began_s = time.monotonic()
        with (into / f"{name.replace(' ', '-')}.log").open("w+b") as log:
            status = subprocess.run(
                words, cwd=TOP, stdout=log, stderr=subprocess.STDOUT, check=False
            ).returncode
            log.seek(0)
            said = log.read().decode("utf-8", "replace")
        spent_s = time.monotonic() - began_s
    counts = re.findall(r"#(\d+)\s.*?cov: (\d+)", said)
    inputs, branches = counts[-1] if counts else ("0", "0")
    click.echo(
        f"{name}: {inputs} inputs in {spent_s:.0f} s, {branches} branches, {'no defect' if status == 0 else 'DEFECT'}"
    )
    if status:
        click.echo("\n".join(f"    {line}" for line in said.splitlines()[-25:]))
    return int(status != 0)


def _words(scratch: str) -> Path:
    """Write the dictionary as libFuzzer reads it."""
    from tests.support.fuzz_targets import dictionary

    path = Path(scratch) / "words"
    lines = ("".join(f"\\x{byte:02x}" for byte in word.encode("utf-8")) for word in dictionary())
    path.write_text("".join(f'"{line}"\n' for line in lines), encoding="ascii")
    return path


if __name__ == "__main__":
    main()
