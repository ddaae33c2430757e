"""Channel plans, against the published rules rather than a copy of the lists.

Sources: ECC/DEC/(11)03 (band 26.960 to 27.410 MHz, 10 kHz, five frequencies not used); 47 CFR 95.963 and
BNetzA Vfg 11/2016 (numbers run upwards except at 23, 24, 25); MPT 1382 and S.I. 1998/2531 (United Kingdom).
"""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sequencer.files.read import read_text
from sequencer.files.shipped import find_file, shipped_names
from sequencer.inputs.channel_plan import PlanFile, plan_from, read_plan
from sequencer.problems import FileProblems

NOT_USED_HZ = {26_995_000, 27_045_000, 27_095_000, 27_145_000, 27_195_000}  # ECC/DEC/(11)03
PLAN = "plan: P\nsource: S\nband: {min: 26 MHz, max: 28 MHz}\n"
CEPT_BY_RULE = """\
plan: by rule
source: ECC/DEC/(11)03
band: {min: 26.960 MHz, max: 27.410 MHz}
rule:
  first: 26.965 MHz
  step: 10 kHz
  count: 40
  skip: [26.995 MHz, 27.045 MHz, 27.095 MHz, 27.145 MHz, 27.195 MHz]
  swaps: [[23, 24], [23, 25]]
"""


def plan_of(text):
    """Return the plan that a text states."""
    return plan_from(read_text(text, PlanFile, file="plan.yaml"))


def complaints_of(text):
    """Return (place, message) of each complaint about a plan."""
    with pytest.raises(FileProblems) as caught:
        plan_of(text)
    return [(one.place, one.message) for one in caught.value.complaints]


def test_cept_plan_obeys_its_published_rules():
    """Forty distinct carriers at 5 kHz modulo 10, all steps of the band but five; sum 1087.850 MHz."""
    plan = read_plan(find_file("cept-40", "plan"))
    carriers = [plan.frequency_hz(channel) for channel in range(1, 41)]
    assert plan.channels == tuple(range(1, 41))
    assert {carrier % 10_000 for carrier in carriers} == {5_000}
    assert set(carriers) == set(range(26_965_000, 27_415_000, 10_000)) - NOT_USED_HZ
    assert sum(carriers) == 1_087_850_000
    assert (plan.min_hz, plan.max_hz) == (26_960_000, 27_410_000)


def test_cept_numbers_rise_except_at_23():
    """Channel 23 stands above 24 and 25 (27.255 MHz, 47 CFR 95.963), and nowhere else does a number fall."""
    plan = read_plan(find_file("cept-40", "plan"))
    falls = [n for n in range(1, 40) if plan.frequency_hz(n + 1) < plan.frequency_hz(n)]
    assert falls == [23]
    assert plan.frequency_hz(23) == 27_255_000
    assert plan.frequency_hz(24) == 27_235_000


def test_a_rule_with_skips_and_swaps_gives_the_list():
    """The rule form gives the very carriers that the shipped list states one by one."""
    assert plan_of(CEPT_BY_RULE).frequencies_hz == read_plan(find_file("cept-40", "plan")).frequencies_hz


def test_uk_plan_obeys_its_published_rule():
    """f(n) = 27.60125 MHz + 10 kHz (n - 1), last 27.99125 MHz; the band begins and ends 5 kHz beyond."""
    plan = read_plan(find_file("uk-27-81", "plan"))
    assert [plan.frequency_hz(n) for n in plan.channels] == [27_601_250 + 10_000 * n for n in range(40)]
    assert plan.frequency_hz(40) == 27_991_250
    assert plan.min_hz == plan.frequency_hz(1) - 5_000
    assert plan.max_hz == plan.frequency_hz(40) + 5_000


@pytest.mark.parametrize("name", shipped_names("plan"))
def test_every_shipped_plan_names_its_source_and_finds_its_channels(name):
    """Each shipped plan names a source and finds every channel by its frequency, also 4 kHz beside it."""
    plan = read_plan(find_file(name, "plan"))
    assert plan.source
    for channel in plan.channels:
        assert plan.channel_at(plan.frequency_hz(channel)) == channel
        assert plan.channel_at(plan.frequency_hz(channel) + 4_000) == channel


def test_a_frequency_between_channels_belongs_to_none():
    """A frequency that no channel uses, or outside what is allowed, has no channel."""
    plan = read_plan(find_file("cept-40", "plan"))
    assert plan.channel_at(26_995_000) is None
    assert plan.channel_at(27_601_250) is None
    assert plan.channel_at(27_185_700, within_hz=600) is None


def test_an_unknown_channel_lists_those_there_are():
    """Asking for a channel that the plan lacks names the plan and its channels, runs written short."""
    plan = plan_of(PLAN + "channels: {1: 27.0 MHz, 2: 27.1 MHz, 3: 27.2 MHz, 9: 27.3 MHz}")
    with pytest.raises(KeyError, match="P has no channel 4; it has channels 1 to 3, 9"):
        plan.frequency_hz(4)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (
            "channels:\n  1: 27.0 MHz\n  2: 27.1 MHz\n  3: 27.0 MHz",
            [("plan.yaml:7:6", "channels 1 and 3 share the frequency 27 MHz")],
        ),
        (
            "channels:\n  1: 27.0 MHz\n  1: 27.1 MHz",
            [("plan.yaml:6:3", "key '1' appears twice in this mapping")],
        ),
        (
            "channels:\n  1: 25.0 MHz\n  2: 29.0 MHz",
            [
                ("plan.yaml:5:6", "channel 1: 25 MHz lies outside the band"),
                ("plan.yaml:6:6", "channel 2: 29 MHz lies outside the band"),
            ],
        ),
        ("channels: {1: 27}", [("plan.yaml:4:15", "'27' has no unit")]),
        ("channels: {one: 27 MHz}", [("plan.yaml:4:12", "one is not allowed here")]),
        ("channels: {}", [("plan.yaml:4:11", "the mapping is empty")]),
        ("", [("plan.yaml:1:1", "a plan has either 'channels' or 'rule'")]),
        (
            "channels: {1: 27 MHz}\nrule: {first: 27 MHz, step: 10 kHz, count: 2}",
            [("plan.yaml:1:1", "a plan has either 'channels' or 'rule'")],
        ),
        (
            "rule: {first: 27 MHz, step: 0 Hz, count: 2}",
            [("plan.yaml:4:29", "a step of 0 Hz puts several channels on one frequency")],
        ),
        (
            "rule: {first: 27 MHz, step: 1e-300 Hz, count: 2, skip: [27 MHz]}",  # no step would ever leave it
            [("plan.yaml:4:29", "a step of 1e-300 Hz puts several channels on one frequency")],
        ),
        (
            "rule: {first: 27 MHz, step: 10 kHz, count: 2, skip: [27.005 MHz]}",
            [("plan.yaml:4:54", "no step falls on 27.005 MHz")],
        ),
        (
            "rule: {first: 27 MHz, step: 10 kHz, count: 2, swaps: [[1, 3]]}",
            [("plan.yaml:4:55", "no channel 3 to exchange")],
        ),
        (
            "rule: {first: 27 MHz, step: 10 MHz, count: 3}",
            [("plan.yaml:4:7", "channel 2: 37 MHz lies outside the band")],
        ),
    ],
)
def test_an_unsound_plan_is_refused_at_its_place(text, expected):
    """Equal frequencies or channels, carriers outside the band and rules that fit nothing are refused."""
    assert complaints_of(PLAN + text) == expected


def test_an_inverted_band_is_refused():
    """A band that ends before it begins is refused at its end."""
    text = "plan: P\nsource: S\nband: {min: 28 MHz, max: 27 MHz}\nchannels: {1: 27.5 MHz}"
    assert complaints_of(text) == [("plan.yaml:3:26", "the band ends before it begins")]


@given(
    first_khz=st.integers(26_000, 27_000),
    step_khz=st.sampled_from([-5, 5, 10, 12, 25]),
    count=st.integers(1, 30),
    first_channel=st.integers(0, 100),
)
def test_rules_give_equal_steps(first_khz, step_khz, count, first_channel):
    """Without skips and swaps, channel n stands n steps from the first, exactly."""
    plan = plan_of(
        "plan: P\nsource: S\nband: {min: 1 MHz, max: 1 GHz}\n"
        f"rule: {{first: {first_khz} kHz, step: {step_khz} kHz, count: {count},"
        f" first_channel: {first_channel}}}"
    )
    expected = {first_channel + n: 1000.0 * (first_khz + n * step_khz) for n in range(count)}
    assert dict(plan.frequencies_hz) == expected
