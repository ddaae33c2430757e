"""Record audio: what the unit sends or sounds like, as a WAV file beside the results, with its hash."""

import io
import math
import wave
from collections.abc import Callable
from types import MappingProxyType
from typing import Annotated, ClassVar, Literal

from pydantic import AfterValidator, Field, model_validator
from typing_extensions import override

from drivers.faults import Refused
from drivers.profiled.commands import Need
from drivers.roles import Reading, Samples
from sequencer.checks.check import Check, DependsOn, Side
from sequencer.checks.finding import Conditions, Demand, Finding
from sequencer.checks.settings import CheckSettings
from sequencer.checks.shared import commands
from sequencer.checks.shared.transmit.keyed_readings import Drive, Tone
from sequencer.files.fields import FrequencyDifferenceHz, FrequencyHz, LevelDbm, Percent, TimeS, between
from sequencer.inputs.bench import longest_release_s
from sequencer.problems import FieldProblem
from sequencer.safety.receive import ReceiveSide
from sequencer.safety.transmit import TransmitSide

SETTLE_S = 0.3
WITNESS_S = 0.1
FULL_SCALE = 32767  # 16 bit, both signs alike
MOST_SAMPLES = 1_000_000
_TRANSMIT_UNITS = {"FM": "Hz", "AM": "%"}


class RecordAudioSettings(CheckSettings):
    """Settings of `record_audio`."""

    check: Literal["record_audio"]
    """Which check this is."""
    of: Literal["transmit", "receive"]
    """The demodulated audio of the unit's transmitter, or the audio at its loudspeaker."""
    duration_s: Annotated[TimeS, AfterValidator(between(0.05, 60.0, "s"))] = 3.0
    """How long; a recording of the transmitter keeps PTT pressed for as long."""
    rate_hz: Annotated[FrequencyHz, AfterValidator(between(4e3, 96e3, "Hz"))] = Field(
        default=16e3, alias="sample_rate"
    )
    """Sample rate of the recording; audio up to two fifths of it is in it."""
    tone_hz: Tone = 1000.0
    """Modulating tone, at the microphone input or of the generator."""
    drive_v: Drive | None = None
    """Transmit: level at the microphone input, V rms; without it there is no tone."""
    level_dbm: LevelDbm | None = None
    """Receive: level of the generator at the antenna connector; without it the generator stays off."""
    deviation_hz: Annotated[FrequencyDifferenceHz, AfterValidator(between(50.0, 1e5, "Hz"))] = 1200.0
    """Receive, FM: peak deviation of the generator."""
    depth_percent: Annotated[Percent, AfterValidator(between(1.0, 100.0, "%"))] = 30.0
    """Receive, AM: depth of the generator."""

    @model_validator(mode="after")
    def _fits(self) -> "RecordAudioSettings":
        if self.duration_s * self.rate_hz > MOST_SAMPLES:
            raise FieldProblem(
                f"{self.duration_s:g} s at {self.rate_hz:g} Hz are {self.duration_s * self.rate_hz:.0f} samples",
                at=("duration",),
                allowed=f"at most {MOST_SAMPLES} samples: {MOST_SAMPLES / self.rate_hz:.1f} s at this rate",
            )
        for key, given, of in (("drive", self.drive_v, "transmit"), ("level", self.level_dbm, "receive")):
            if given is not None and self.of != of:
                raise FieldProblem(
                    f"'{key}' is for a recording of: {of}", at=(key,), allowed=f"no '{key}', or of: {of}"
                )
        return self


class RecordAudio(Check[RecordAudioSettings]):
    """Record the unit's demodulated transmit audio, or its loudspeaker, and keep it as a WAV file beside the results table.

    16 bit, one channel; the largest sample is full scale, and the note says what full scale stands for (V at the loudspeaker, Hz
    of deviation, percent of depth), the file's name and the SHA-256 of its bytes. No file is overwritten.
    """

    name: ClassVar[str] = "record_audio"
    summary: ClassVar[str] = "a recording of the audio, as a WAV file with its hash"
    side: ClassVar[Side] = "receive"
    roles: ClassVar[frozenset[str]] = frozenset({"audio_analyser"})
    depends_on: ClassVar[DependsOn] = frozenset({"stage"})
    limit_keys = MappingProxyType({})
    settings = RecordAudioSettings

    def side_of(self, settings: RecordAudioSettings) -> Side:
        """Return the side that has what is recorded."""
        return settings.of

    def roles_of(self, settings: RecordAudioSettings) -> frozenset[str]:
        """Return who records, and who drives."""
        if settings.of == "receive":
            return frozenset({"audio_analyser"})
        return frozenset({"modulation_analyser"} | ({"audio_analyser"} if settings.drive_v else set()))

    @override
    def quantities(self, settings: RecordAudioSettings) -> tuple[tuple[str, str], ...]:
        return _quantities(settings)

    def demands(self, settings: RecordAudioSettings, conditions: Conditions) -> list[Demand]:
        """Return the level it uses, and whether a recording of the transmitter fits into one key-down."""
        if settings.of == "receive":
            if settings.level_dbm is None:
                return []
            return [Demand(at=("level",), level_dbm=settings.level_dbm)]
        if conditions.mode == "CW":
            return [Demand(at=("of",), refused="a CW carrier has no audio", allowed="FM, AM, USB, LSB")]
        bench = conditions.bench
        radio, analyser = bench.with_role("radio"), bench.with_role("modulation_analyser")
        if radio is None or analyser is None or radio[1].manual:
            return []
        most_s = bench.protection.max_key_time_s - longest_release_s(radio[1]) - 4.0 * analyser[1].timeout_s
        if settings.duration_s <= most_s:
            return []
        return [
            Demand(
                at=("duration",),
                refused=f"{settings.duration_s:g} s of transmitting, a release and the analyser's answers may outlast max_key_time",
                allowed=f"at most {math.floor(10.0 * most_s) / 10.0:g} s on this bench",
            )
        ]

    def commands(self, settings: RecordAudioSettings, conditions: Conditions) -> frozenset[Need]:
        """Return which commands of its instruments it cannot do without."""
        return (
            commands.recording("modulation_analyser") | commands.of("modulation_analyser", "demodulator")
            if settings.of == "transmit"
            else commands.recording("audio_analyser")
            | (
                commands.generator_modulation(conditions.mode)
                if settings.level_dbm is not None
                else frozenset()
            )
        )

    @override
    def forecast_s(self, settings: RecordAudioSettings, conditions: Conditions) -> float:
        return SETTLE_S + settings.duration_s

    def keyed_s(self, settings: RecordAudioSettings, conditions: Conditions) -> float:
        """Return for how long the unit is keyed, s."""
        return settings.duration_s if settings.of == "transmit" else 0.0

    def receive(
        self, side: ReceiveSide, settings: RecordAudioSettings, conditions: Conditions
    ) -> list[Finding]:
        """Record the loudspeaker."""
        told = "no signal"
        if settings.level_dbm is not None:
            told = _apply(side, settings, conditions.mode)
        side.wait_s(SETTLE_S)
        samples = side.capture_audio(settings.duration_s, settings.rate_hz)
        witness = _witness(lambda: side.read_audio_v(WITNESS_S))
        return _kept(samples, "V", told, settings, conditions, witness)

    def transmit(
        self, side: TransmitSide, settings: RecordAudioSettings, conditions: Conditions
    ) -> list[Finding]:
        """Record the demodulated audio."""
        side.configure_analyser(conditions.mode)  # type: ignore[arg-type]
        told = "no tone at the microphone input"
        if settings.drive_v is not None:
            side.apply_audio(tone_hz=settings.tone_hz, level_v=settings.drive_v)
            told = f"{settings.drive_v * 1e3:g} mV at {settings.tone_hz:g} Hz into the microphone input"
        samples = side.capture_audio(settings.duration_s, settings.rate_hz)
        reads = {"FM": side.read_rms_deviation_hz, "AM": side.read_rms_depth_percent}
        witness = _witness(reads[conditions.mode]) if conditions.mode in reads else None
        side.rest()
        unit = _TRANSMIT_UNITS.get(conditions.mode, "V")
        return _kept(samples, unit, told, settings, conditions, witness)


def wav_bytes(samples: Samples) -> tuple[bytes, float]:
    """Return ``samples`` as a WAV file (16 bit, one channel), and what its full scale stands for: the largest sample.

    ValueError for samples that are no finite numbers, or none at all.
    """
    import numpy as np

    content = np.asarray(samples.content, dtype=np.float64)
    if content.ndim != 1 or content.size == 0 or not np.isfinite(content).all():
        raise ValueError("the recording is empty, or holds values that are not finite numbers")
    full_scale = float(np.abs(content).max()) or 1.0
    written = np.round(content / full_scale * FULL_SCALE).astype("<i2")
    file = io.BytesIO()
    with wave.open(file, "wb") as writer:
        writer.setnchannels(1)
        writer.setsampwidth(2)
        writer.setframerate(round(samples.rate_hz))
        writer.writeframes(written.tobytes())
    return file.getvalue(), full_scale


def _apply(side: ReceiveSide, settings: RecordAudioSettings, mode: str) -> str:
    assert settings.level_dbm is not None
    if mode == "FM":
        side.apply_fm(settings.level_dbm, deviation_hz=settings.deviation_hz, tone_hz=settings.tone_hz)
        return f"{settings.level_dbm:g} dBm, FM {settings.deviation_hz:g} Hz at {settings.tone_hz:g} Hz"
    if mode == "AM":
        side.apply_am(settings.level_dbm, depth_percent=settings.depth_percent, tone_hz=settings.tone_hz)
        return f"{settings.level_dbm:g} dBm, AM {settings.depth_percent:g} % at {settings.tone_hz:g} Hz"
    offset_hz = -settings.tone_hz if mode == "LSB" else settings.tone_hz
    side.apply_carrier(settings.level_dbm, offset_hz=offset_hz)
    return f"{settings.level_dbm:g} dBm, carrier {offset_hz:+g} Hz from the channel"


def _witness(read: Callable[[], Reading]) -> float | None:
    """Return the level by the instrument's own reading, taken just after the recording; None where it has no such reading."""
    try:
        return read().number
    except Refused:
        return None


def _contradicted(rms: float, witness: float | None) -> bool:
    """Say whether a recording cannot be of what the instrument itself reads: silent beside a signal, or another size altogether.

    Bands differ, and so do two moments of noise: a factor of two is none of either.
    """
    return witness is not None and max(rms, witness) > 0.0 and not 0.5 <= rms / max(witness, 1e-12) <= 2.0


def _kept(
    samples: Samples,
    unit: str,
    told: str,
    settings: RecordAudioSettings,
    conditions: Conditions,
    witness: float | None,
) -> list[Finding]:
    """Return duration and level of a recording, once it stands in its file; what could not be kept is not measured."""
    (quantity, _), (of_level, _) = _quantities(settings)
    where = "" if conditions.channel is None else f"-channel-{conditions.channel}"
    try:
        content, full_scale = wav_bytes(samples)
        kept = conditions.keep_file(f"{settings.of}-audio{where}.wav", content)
    except (ValueError, OSError) as error:
        why = f"{told}; not kept: {(error.strerror if isinstance(error, OSError) else None) or error}"
        return [
            Finding(quantity=quantity, value=None, unit="s", note=why),
            Finding(quantity=of_level, value=None, unit=unit, note=why),
        ]
    rate_hz = round(samples.rate_hz)
    rms = _rms_of(samples)
    if _contradicted(rms, witness):
        why = (
            f"{told}; the recording's level is {rms:.4g} {unit}, and the instrument itself reads {witness:.4g} {unit}: "
            f"{kept.path.name} is not of it"
        )
        return [
            Finding(quantity=quantity, value=None, unit="s", note=why),
            Finding(quantity=of_level, value=None, unit=unit, note=why),
        ]
    return [
        Finding(
            quantity=quantity,
            value=len(samples.content) / samples.rate_hz,
            unit="s",
            exact=True,
            note=(
                f"{told}; {kept.path.name}, {rate_hz} Hz, 16 bit, full scale {full_scale:.4g} {unit}; sha256 {kept.sha256}"
            ),
        ),
        # four figures: no uncertainty is stated, and the samples have no more
        Finding(
            quantity=of_level,
            value=float(f"{rms:.4g}"),
            unit=unit,
            note=f"of the whole recording; {kept.path.name}",
        ),
    ]


def _rms_of(samples: Samples) -> float:
    import numpy as np

    return float(np.sqrt(np.mean(np.square(np.asarray(samples.content, dtype=np.float64)))))


def _quantities(settings: RecordAudioSettings) -> tuple[tuple[str, str], tuple[str, str]]:
    return (f"{settings.of} audio, recorded", "s"), (f"{settings.of} audio, rms level", "V")
