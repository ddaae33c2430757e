"""Presets: what can be adjusted, where it belongs, and what of that is refused, with place and what is allowed."""

from __future__ import annotations

import pytest

from sequencer.checks import find_check
from sequencer.files.read import read_text
from sequencer.inputs.preset import ADJUSTABLE, Preset
from sequencer.problems import FileProblems

POWER = "of: carrier_power\nchannel: 20\nturn: RV4 beside the driver\nto: 3.8 W\nwithin: 0.1 W\n"


def preset_of(text: str) -> Preset:
    """Return the preset that a text states."""
    return read_text(text, Preset, file="preset.yaml").model


def test_a_preset_states_target_and_band_in_the_unit_of_its_check() -> None:
    """3.8 W within 0.1 W is a band from 3.7 to 3.9 W; a level's band is so many dB wide."""
    power = preset_of(POWER)
    assert power.band == pytest.approx((3.7, 3.9))
    assert (power.target, power.unit, power.best, power.figure) == (3.8, "W", None, "")
    meter = preset_of("of: s9_point\nturn: RV2\nto: -73 dBm\nwithin: 1 dB\n")
    assert (meter.band, meter.unit, meter.tolerance_unit) == ((-74.0, -72.0), "dBm", "dB")


def test_a_preset_carries_the_settings_of_its_check_and_no_others() -> None:
    """What stands beside `of` is handed to the check under the names of its fields."""
    one = preset_of("of: peak_deviation\nchannel: 20\ndrive: 100 mV\nturn: RV7\nto: 1.9 kHz\nwithin: 50 Hz\n")
    assert one.settings == {"channel": 20, "drive_v": 0.1}


def test_a_best_is_looked_for_with_or_without_a_width() -> None:
    """A tuned circuit is peaked; how far from the best is still right may be said."""
    peaked = preset_of("of: sinad\nlevel: -121 dBm\nturn: L3 then L4\nto: maximum\n")
    assert (peaked.best, peaked.target, peaked.band, peaked.tolerance) == ("maximum", None, None, None)
    assert preset_of("of: sinad\nturn: L3\nto: maximum\nwithin: 0.5 dB\n").tolerance == 0.5


def test_a_written_preset_has_a_range() -> None:
    """A bias current: a setting that the tool writes, with the numbers it takes; of the current while it transmits."""
    bias = preset_of("of: supply_current\nwrite: tx_bias\nrange: [0, 255]\nto: 45 mA\nwithin: 2 mA\n")
    assert (bias.range, bias.write, bias.figure) == ((0, 255), "tx_bias", "transmit")
    assert bias.band == pytest.approx((0.043, 0.047))


def test_a_best_may_be_written_too() -> None:
    """A tuned circuit whose setting the radio stores: the tool looks for its maximum."""
    peaked = preset_of("of: sinad\nwrite: front_end\nrange: [0, 255]\nto: maximum\n")
    assert (peaked.best, peaked.write, peaked.range) == ("maximum", "front_end", (0, 255))


def test_audio_distortion_is_a_percentage_where_audio_power_is_one_in_watts() -> None:
    """The figure that is chosen decides what the target is."""
    text = "of: audio_output\nquantity: distortion\nturn: RV9\nto: minimum\n"
    assert preset_of(text).unit == "%"
    assert preset_of("of: audio_output\nturn: RV9\nto: 0.5 W\nwithin: 50 mW\n").unit == "W"


@pytest.mark.parametrize("name", ADJUSTABLE)
def test_what_can_be_adjusted_is_a_check(name: str) -> None:
    """Each name in the table of what a preset may be of is that of a shipped check."""
    assert find_check(name).name == name


BAD = {
    "an unknown check": (
        POWER.replace("carrier_power", "carier_power"),
        "1:5",
        "did you mean 'carrier_power'?",
    ),
    "a check that nothing adjusts": (
        POWER.replace("carrier_power", "channel_memory"),
        "1:5",
        "carrier_power, ",
    ),
    "no way": (POWER.replace("turn: RV4 beside the driver\n", ""), "1:1", "'turn'"),
    "both ways": (POWER + "write: p\nrange: [0, 3]\n", "6:8", "'turn'"),
    "written without a range": (
        POWER.replace("turn: RV4 beside the driver", "write: pwr"),
        "3:8",
        "[0, 255]",
    ),
    "turned in a range": (POWER + "range: [0, 255]\n", "6:8", "no 'range'"),
    "a range the wrong way round": (
        POWER.replace("turn: RV4 beside the driver", "write: pwr") + "range: [9, 3]\n",
        "6:8",
        "the lower number first",
    ),
    "a target of another kind": (POWER.replace("3.8 W", "3.8 kHz"), "4:5", "a power in"),
    "no unit": (POWER.replace("3.8 W", "'3.8'"), "4:5", "a power in"),
    "a best that makes no sense": (POWER.replace("3.8 W", "minimum"), "4:5", "'maximum'"),
    "no width": (POWER.replace("within: 0.1 W\n", ""), "4:5", "a power above 0"),
    "a width of nothing": (POWER.replace("0.1 W", "0 W"), "5:9", "above 0"),
    "a width in dBm": (POWER.replace("0.1 W", "20 dBm"), "5:9", "W or mW"),
    "a figure it has not": (POWER + "quantity: carrier\n", "6:11", "no 'quantity'"),
    "an unknown key": (POWER + "chanel: 3\n", "6:1", "the keys"),
    "an extreme of a figure that has none, written": (
        "of: carrier_power\nwrite: pwr\nrange: [0, 255]\nto: minimum\n",
        "4:5",
        "'maximum'",
    ),
    "a setting with a blank": (
        POWER.replace("turn: RV4 beside the driver", "write: a b") + "range: [0, 9]\n",
        "3:8",
        "such as tx_bias",
    ),
}


@pytest.mark.parametrize("case", BAD)
def test_a_preset_that_cannot_be_is_refused_where_it_is_wrong(case: str) -> None:
    """The complaint points at the key that is wrong, and says what is allowed there."""
    text, place, said = BAD[case]
    with pytest.raises(FileProblems) as caught:
        preset_of(text)
    (complaint,) = caught.value.complaints
    assert complaint.place == f"preset.yaml:{place}"
    assert said in f"{complaint.allowed} {complaint.hint}"
    assert complaint.allowed


@pytest.mark.parametrize(
    "of",
    ["selectivity", "residual_modulation", "transmit_distortion", "microphone_sensitivity", "sensitivity"],
)
def test_what_cannot_be_read_while_it_moves_is_refused_in_the_file(of: str) -> None:
    """A model file is refused where it stands, with the reason and what a preset may be of, and not when somebody turns the preset."""
    with pytest.raises(FileProblems) as caught:
        preset_of(f"of: {of}\nturn: RV3\nto: 10 %\nwithin: 1 %\n")
    (complaint,) = caught.value.complaints
    assert complaint.place == "preset.yaml:1:5"
    assert "cannot be read while a preset is moved: " in complaint.message
    assert complaint.allowed.startswith("carrier_power, ")
    assert of not in complaint.allowed.split(", ")
