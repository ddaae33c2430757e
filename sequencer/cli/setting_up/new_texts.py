"""What `new` writes: a model, a sequence, a bench; each with a comment beside what is to be looked at."""

from __future__ import annotations

from collections.abc import Mapping

_MODEL = r"""# {name}: what is particular to this type of radio. `sequencer reference model-files` says what each key is for.
# Put this file into a folder 'models' beside your sequences or your bench file: a unit's serial then chooses it.
model: '{name}'
serials: '{serials}'                   # the whole serial must fit
channels: {channels}        # a shipped plan, or one of your own beside this file
test_channels: {{low: {low}, middle: {middle}, high: {high}}}
modes: [FM]                            # the first one is meant where a sequence names none
supply: {supply}
rated_power: {rated_power}                       # the most a sound unit gives; held against the ratings of path and meter
microphone: {{normal: {drive}}}            # drive for normal test modulation: from the service notes
deviation: {{normal: 1.2 kHz, maximum: 2 kHz}}   # of its service; normal test modulation is customarily 60 % of the maximum
meter: {{kind: voltage, s9: {s9}}}        # voltage, bar (segments) or dial (read by a person); attack and decay if you know them
settings: [RF gain fully up, squelch open, noise blanker off, volume at half]
limits:                                # examples: put in those that your licence and your workshop ask for, with their source
  carrier_power: {{max: {rated_power}}}
  frequency_error: {{within: 600 Hz}}
  peak_deviation: {{max: 2 kHz}}
  sensitivity: {{max: -113 dBm}}
  s9_point: {{within: 6 dB}}             # of the nominal level of S9
# presets:                             # what can be adjusted: turned by a person, or written by the tool
#   power: {{of: carrier_power, channel: {middle}, turn: RV4 beside the driver, to: 3.8 W, within: 0.2 W}}
"""
_SEQUENCE = """# {name}: what is measured, in this order. Channels, supply, drive and limits are those of the unit's model file.
# Before anything is connected: a screened load rated for the power, and never a transmitter into the generator.
sequence: '{name}'
model_by_default: '{model}'            # where neither --model nor the unit's serial chooses one
decision_rule: simple                  # or guarded (guard band w = U), or a guard factor such as 0.83
checks:
  - check: carrier_power
    channel: [low, middle, high]       # the model's test channels; numbers will do too
  - check: frequency_error             # on the middle channel, as no other is named
  - check: peak_deviation
    above: 20 dB                       # above normal drive: what the limiter holds
  - check: sensitivity
    accuracy: 1 dB                     # half-width of the 95 % interval at which the search stops
  - check: s9_point
    accuracy: 1 dB
"""
_BENCH = """# {name}: the instruments, the paths and what they may be given. `sequencer reference first-bench` leads through it.
# Never key a transmitter into a signal generator: use a path switch, or a pad rated for the transmitter, between them.
# The addresses are examples ({network} is yours to fill in); accuracies are half-widths from the instruments' data sheets.
bench: '{name}'
instruments:
  signal_generator:
    address: TCPIP0::{network}.11::5025::SOCKET
    level: {{min: -127 dBm, max: 7 dBm}}
    accuracy: {{level: 0.7 dB, frequency: 0.1 ppm, deviation: 3 %, tone: 0.1 %}}
    vswr: 1.5
  power_meter: {{address: TCPIP0::{network}.12::5025::SOCKET, max_power: 100 mW, vswr: 1.15, accuracy: {{power: 3 %}}}}
  modulation_analyser: {{address: TCPIP0::{network}.13::5025::SOCKET, accuracy: {{frequency: 0.1 ppm, deviation: 2 %}}}}
  audio_analyser: {{address: TCPIP0::{network}.14::5025::SOCKET, accuracy: {{sinad: 0.5 dB, voltage: 2 %}}}}
  voltmeter: {{address: TCPIP0::{network}.15::5025::SOCKET, accuracy: {{voltage: 0.1 %}}}}      # on the signal meter's line
  supply: {{address: TCPIP0::{network}.16::5025::SOCKET, max_voltage: {supply_max}, accuracy: {{voltage: 0.3 %}}}}
  switch: {{address: TCPIP0::{network}.17::5025::SOCKET, settle: 20 ms}}
  radio: {{address: TCPIP0::{network}.18::5025::SOCKET}}
paths:                                 # measure them: the check path_loss writes such a table
  receive: {{loss: {{27 MHz: 0.42 dB}}, uncertainty: 0.1 dB, unit_vswr: 1.5}}
  transmit: {{loss: {{27 MHz: 30.1 dB}}, uncertainty: 0.15 dB, unit_vswr: 1.5, rating: {rating}}}   # rating of load or pad
protection: {{max_key_time: 40 s, key_duty: 50 %, max_receiver_input: 0 dBm, max_supply_current: 6 A}}
"""
_GAUGE = """# {name}: is the measuring good enough? Each operator measures each unit several times.
# `sequencer reference gauge-and-risk` says how many, and what the figures say.
gauge: '{name}'
sequence: '{sequence}'
checks: ['{measure}']
units: [M40-0007, M40-0011, M40-0012, M40-0013, M40-0014]   # as the production spreads, good and bad; ten are customary
operators: [Ana, Bela, Ciro]           # who measures, or what else changes: a fixture, a cable
trials: 3                              # how often each measures each
order: random                          # or by operator: one after another in each round
"""
_BATCH = r"""# {name}: units that are tested for one purpose, with one sequence. `sequencer reference batches` says what each key is for.
batch: '{name}'
sequence: '{sequence}'                 # its checksum is kept when the batch is opened: a changed file is another sequence
target: {target}                            # how many units it is to have
serials: '{serials}'                   # which serials belong to it: the whole serial must fit; or units: [M40-0007, ...]
retest: {{attempts: 3, reason: required}}   # first pass included; retests never count as new units
stop:                                  # the bench is suspected before the units
  failures_in_a_row: 3                 # of the same check
  first_pass: {{below: 80 %, after: 10}}    # even the upper end of its 95 % interval lies below
# connections: {{cable: 500, fixture: 10000}}   # what its maker rates; connections are counted against it
"""
TEXTS: Mapping[str, str] = {
    "model": _MODEL,
    "sequence": _SEQUENCE,
    "bench": _BENCH,
    "gauge": _GAUGE,
    "batch": _BATCH,
}

_PROJECT = """[build-system]
requires = ["hatchling>=1.24"]
build-backend = "hatchling.build"

[project]
name = "{project}"
version = "0.1"
dependencies = ["radio-bench-sequencer"]

[project.entry-points."sequencer.{group}"]
{name} = "{package}:{title}"

[tool.hatch.build.targets.wheel]
packages = ["{package}"]
"""
_CHECK = '''"""{name}: where the signal meter's line stands with no signal. Put your own measurement in its place."""

from typing import Annotated, ClassVar, Literal

from pydantic import AfterValidator

from sequencer.checks.base import Check, CheckSettings, Conditions, Finding, HalfWidth, Parts, Side
from sequencer.checks.shared.asked.limits import VoltageLimit
from sequencer.files.fields import TimeS, between
from sequencer.safety.receive import ReceiveSide
from sequencer.uncertainty.contributions import repeatability

QUANTITY = "{words}"
READINGS = 5


class {title}Settings(CheckSettings):
    """Settings of `{name}`."""

    check: Literal["{name}"]
    """Which check this is."""
    settle_s: Annotated[TimeS, AfterValidator(between(0.1, 30.0, "s"))] = 2.0
    """How long the meter gets to fall back."""
    limit: VoltageLimit = VoltageLimit()
    """Lowest and highest voltage that is right."""


class {title}(Check[{title}Settings]):
    """Switch the generator off, let the meter fall, and read its line several times."""

    name: ClassVar[str] = "{name}"
    summary: ClassVar[str] = "signal meter's voltage with no signal"
    side: ClassVar[Side] = "receive"
    roles: ClassVar[frozenset[str]] = frozenset({{"signal_generator", "voltmeter"}})
    settings = {title}Settings

    def quantities(self, settings: {title}Settings) -> tuple[tuple[str, str], ...]:
        """Return what it reports, with the unit."""
        return ((QUANTITY, "V"),)

    def needs(self, settings: {title}Settings, conditions: Conditions) -> tuple[str, ...]:
        """Return what its budget asks of the bench file."""
        return ("voltmeter.voltage",)

    def forecast_s(self, settings: {title}Settings, conditions: Conditions) -> float:
        """Return about how long it takes, s."""
        return settings.settle_s + READINGS * 0.1

    def receive(self, side: ReceiveSide, settings: {title}Settings, conditions: Conditions) -> list[Finding]:
        """Measure; what is no number becomes "not measured" with the reason, never a figure."""
        limits = settings.limit.limits
        side.remove_signal()
        side.wait_s(settings.settle_s)
        found = []
        for _ in range(READINGS):
            reading = side.read_meter_v(0.1)
            if reading.number is None:
                note = f"voltmeter: {{reading.state.value}}"
                return [Finding(quantity=QUANTITY, value=None, unit="V", limits=limits, note=note)]
            found.append(reading.number)
        value_v = sum(found) / len(found)
        parts = Parts(conditions.bench)
        accuracy = HalfWidth.of(conditions.bench, "voltmeter", "voltage")
        parts.accuracy("voltmeter, accuracy", accuracy and accuracy.of_reading(value_v), unit="V")
        parts.add(repeatability("repeatability", found, unit="V"))
        budget = parts.budget(QUANTITY, "V", value_v)
        return [Finding(quantity=QUANTITY, value=value_v, unit="V", limits=limits, budget=budget)]
'''
_CHECK_TEST = '''"""The check in a sequence on the simulated bench. Install the package first: pip install -e ."""

import json

from click.testing import CliRunner

from sequencer.cli.main import main

SEQUENCE = """
sequence: Test of {name}
channels: plans/cept-40.yaml
supply: 13.2 V
checks:
  - {{check: {name}, channel: 20, limit: {{max: 0.5 V}}}}
"""


def test_it_measures_a_sound_unit_and_passes(tmp_path):
    """The meter of the simulated unit rests below half a volt, and the result carries an uncertainty."""
    (tmp_path / "s.yaml").write_text(SEQUENCE, encoding="utf-8")
    words = ["run", str(tmp_path / "s.yaml"), "--bench", "bench", "--serial", "M40-0007", "--confirmed"]
    done = CliRunner().invoke(main, [*words, "--folder", str(tmp_path / "results"), "--json"])
    assert done.exit_code == 0, done.output
    (result,) = (one for one in json.loads(done.stdout)["results"] if one["check"] == "{name}")
    assert result["decision"] == "pass"
    assert result["uncertainty"] > 0
'''
_DRIVER = '''"""{name}: a {role_words} of its own manners. What differs from the profile's words alone is written here."""

from drivers.profiled.{module} import {base}


class {title}({base}):
    """A {role_words} that is driven as its profile says, but for what is overridden here.

    Settings are read back in the message that makes them; what waits asks `self.clock`, never `time.sleep`.
    """

    def prepare(self) -> None:
        """Send what it needs once after the reset, before anything is set or read."""
        super().prepare()
'''
_DRIVER_TEST = '''"""The driver on the simulated bench. Install the package first: pip install -e ."""

import yaml
from click.testing import CliRunner

from {package} import {title}
from sequencer.cli.main import main
from sequencer.files.shipped import find_file


def test_it_drives_the_simulated_instrument(tmp_path, monkeypatch):
    """The bench opens it by the name that stands in the bench file, and it answers who it is."""
    prepared = []
    prepare = {title}.prepare
    monkeypatch.setattr({title}, "prepare", lambda self: (prepared.append(self), prepare(self)))
    shipped = find_file("bench", "bench")
    bench = yaml.safe_load(shipped.read_text(encoding="utf-8"))
    bench["unit"] = str(shipped.parent / "units")
    bench["instruments"]["{role}"]["driver"] = "{name}"
    (tmp_path / "bench.yaml").write_text(yaml.safe_dump(bench), encoding="utf-8")
    done = CliRunner().invoke(main, ["identify", "--bench", str(tmp_path / "bench.yaml")])
    assert done.exit_code == 0, done.output
    assert prepared, "the bench did not open this driver"
'''
PACKAGES: Mapping[str, tuple[str, str]] = {"check": (_CHECK, _CHECK_TEST), "driver": (_DRIVER, _DRIVER_TEST)}
PROJECT = _PROJECT
