"""The commands `risk` and `sampling`: what they print is what was published, and bad input is told in words."""

from __future__ import annotations

import json
from typing import Any

import pytest
from click.testing import CliRunner
from scipy.stats import hypergeom

from sequencer.cli.main import main

RESISTOR = (
    "--lower",
    "1499.8",
    "--upper",
    "1500.2",
    "--mean",
    "1500",
    "--spread",
    "0.12",
    "--uncertainty",
    "0.08",
)


def _call(*words: str, columns: int = 92) -> Any:
    return CliRunner(env={"COLUMNS": str(columns), "NO_COLOR": "1"}).invoke(main, words)


def test_risk_prints_the_published_shares():
    """JCGM 106 resistor lot: 1.89 % and 3.72 % by simple acceptance, 0.047 % and 24.8 % guarded."""
    words = ("risk", *RESISTOR, "--rule", "0.25", "--false-accept", "0.5 %", "--units", "30")
    shown = _call(*words, columns=120)
    assert shown.exit_code == 0
    rows = {line[:16].strip(): line[16:].split() for line in shown.output.splitlines()}
    assert rows["simple (w = 0)"][1:5] == ["1.89", "%", "3.72", "%"]
    assert rows["guarded (w = U)"][1:5] == ["0.047", "%", "24.77", "%"]
    assert rows["w = 0.25 U"][1:5] == ["0.99", "%", "6.90", "%"]
    assert "come from 30 units" in shown.output
    assert max(map(len, shown.output.splitlines()[:12])) <= 100


@pytest.mark.parametrize("columns", [60, 80])
def test_risk_fits_a_narrow_terminal_figure_by_figure(columns: int):
    """No line is wider than the terminal, and each figure stands beside what it is."""
    shown = _call("risk", *RESISTOR, "--units", "30", columns=columns)
    assert shown.exit_code == 0
    lines = shown.output.splitlines()
    assert max(map(len, lines)) <= columns
    simple = lines[lines.index("simple (w = 0)") + 1 :][:5]
    # JCGM 106:2012, its resistor lot, as above
    assert simple[1].split()[:4] == ["bad", "accepted", "1.89", "%"]
    assert simple[2].split()[:4] == ["good", "refused", "3.72", "%"]


def test_risk_as_json():
    """The same, whole, for a program; levels have differences in dB."""
    words = ("--upper", "-113 dBm", "--mean", "-114 dBm", "--spread", "1.5 dB", "--uncertainty", "1.2 dB")
    shown = _call("risk", *words, "--json")
    assert shown.exit_code == 0
    told = json.loads(shown.output)
    assert (told["unit"], told["unit_of_difference"], told["lower_limit"]) == ("dBm", "dB", None)
    simple, guarded = told["rules"]
    assert guarded["guard_band"] == pytest.approx(1.2)
    assert guarded["false_accept"] < simple["false_accept"]
    assert guarded["false_reject"] > simple["false_reject"]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ((), "not given: --mean, --spread, --uncertainty, --lower or --upper"),
        (("--lower", "1501", *RESISTOR[2:]), "does not lie below the upper limit"),
        ((*RESISTOR[:6], "--spread", "0", *RESISTOR[8:]), "is no spread"),
        ((*RESISTOR[:8], "--uncertainty", "-1"), "is no uncertainty"),
        ((*RESISTOR[:8], "--uncertainty", "80 mohm"), "not in the unit of the others"),
        ((*RESISTOR[:8], "--uncertainty", "0,08"), "write a point in its place"),
        (("--upper", "4,5", "--mean", "3,5", "--spread", "1,5", "--uncertainty", "1,5"), "has a comma"),
        ((*RESISTOR[:8], "--uncertainty", "=1+1"), "is no number with a unit"),
        ((*RESISTOR[:8], "--uncertainty", "1e300"), "is no number with a unit"),
        ((*RESISTOR, "--rule", "11"), "guard factor 11.0 refused"),
        ((*RESISTOR, "--false-accept", "0.01"), "a share in percent"),
        ((*RESISTOR, "--false-accept", "100 %"), "above 0 % and below 100 %"),
    ],
)
def test_risk_refuses_in_words(words: tuple[str, ...], said: str):
    """Status 2, no traceback, and what is allowed."""
    shown = _call("risk", *words)
    assert shown.exit_code == 2
    assert said in shown.output
    assert "allowed:" in shown.output


def test_sampling_prints_a_published_plan():
    """1 % good, 5 % bad, 5 % and 10 %: 132 units, 3 may fail (a public package's introduction, see test_proportion)."""
    shown = _call("sampling", "--aql", "1 %", "--ltpd", "5%", "--variables")
    assert shown.exit_code == 0
    assert "test 132 units; take the lot if at most 3 fail, refuse it from 4 on" in " ".join(
        shown.output.split()
    )
    assert "known beforehand: measure 19 units" in shown.output
    assert any(line.endswith("<- good") and " 95.6 %" in line for line in shown.output.splitlines())
    assert any(line.endswith("<- bad") and " 9.9 %" in line for line in shown.output.splitlines())


def test_sampling_as_json_of_a_counted_lot():
    """A counted lot needs fewer units; the curve falls."""
    shown = _call("sampling", "--aql", "1 %", "--ltpd", "5 %", "--lot-size", "500", "--json")
    assert shown.exit_code == 0
    told = json.loads(shown.output)
    assert told["attributes"]["n"] < 132
    assert told["attributes"]["taken_when_bad"] <= 0.10
    taken = [point["taken"] for point in told["attributes"]["curve"]]
    assert taken == sorted(taken, reverse=True)


@pytest.mark.parametrize("lot", [10, 50, 120])
def test_sampling_of_a_small_lot_says_one_thing(lot: int):
    """Sentence, table and JSON speak of the same units, with a reference library's hypergeometric chances; no plan exceeds the lot."""
    words = ("sampling", "--aql", "1 %", "--ltpd", "5 %", "--lot-size", str(lot), "--variables")
    told = json.loads(_call(*words, "--json").output)
    plan = told["attributes"]
    good, bad = int(0.01 * lot), -(-5 * lot // 100)
    taken = {point["units"]: point["taken"] for point in plan["curve"]}
    for units, share in taken.items():
        assert share == pytest.approx(hypergeom.cdf(plan["c"], lot, units, plan["n"]), abs=1e-9)
    assert plan["taken_when_bad"] == taken[bad] <= 0.10
    assert plan["refused_when_good"] == pytest.approx(1.0 - taken[good])
    assert all(one["n"] <= lot for one in told["variables"])
    shown = _call(*words)
    assert shown.exit_code == 0
    rows = {line.split("<- ")[1]: line.split()[0] for line in shown.output.splitlines() if "<- " in line}
    assert rows == {"good": str(good), "bad": str(bad)}
    sentence = " ".join(shown.output.split())
    assert f"one with {bad} failing ({100 * bad / lot:.3g} %) taken at most 10 times in 100" in sentence
    assert ("no plan; it would need 55 units" in sentence) == (lot < 55)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--aql", "5 %", "--ltpd", "1 %"), "does not lie below"),
        (("--aql", "1", "--ltpd", "5 %"), "a share in percent"),
        (("--aql", "1 %", "--ltpd", "1.01 %"), "let them lie further apart"),
        (
            ("--aql", "1 %", "--ltpd", "5 %", "--producers-risk", "60 %", "--consumers-risk", "50 %"),
            "below 1",
        ),
        (("--aql", "1 %", "--ltpd", "5 %", "--lot-size", "1"), "lot-size"),
    ],
)
def test_sampling_refuses_in_words(words: tuple[str, ...], said: str):
    """Status 2, no traceback."""
    shown = _call("sampling", *words)
    assert shown.exit_code == 2
    assert said in shown.output
