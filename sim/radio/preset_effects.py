"""What presets do to a unit: the specimen as it behaves with each of them where it stands.

A gain, a level or a limit goes in decibels along the travel. What is tuned follows a single resonance, 1/(1 + x²) in power; a balance
leaks with the distance from its null, above a floor that stays; off the middle of a discriminator the second harmonic grows with the
distance (a curved characteristic is a parabola there), beside what else is distorted. Textbook forms, from memory.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from math import hypot, log10

from sim.radio.unit import SignalMeter, Specimen

_TUNED_WIDTH = 0.12  # of the travel, to where a tuned circuit has lost 3 dB


def as_adjusted(specimen: Specimen, positions: Mapping[str, float]) -> Specimen:
    """Return the specimen as it behaves with its presets at ``positions``, 0 to 1 of their travel."""
    changes_db: dict[str, float] = {}
    error_ppm = loss_db = leak = image = 0.0
    bent_percent = specimen.receiver.distortion_percent
    for name, preset in specimen.presets.items():
        change = preset.effect(positions[name])
        if preset.acts_on == "frequency":
            error_ppm += change * preset.span_ppm
        elif preset.acts_on == "front_end":
            loss_db += min(10.0 * log10(1.0 + (change / _TUNED_WIDTH) ** 2), abs(preset.span_db))
        elif preset.acts_on == "discriminator":
            bent_percent = hypot(bent_percent, change * preset.span_percent)
        elif preset.acts_on == "carrier_balance":
            leak = hypot(leak, change)
        elif preset.acts_on == "sideband_balance":
            image = hypot(image, change)
        else:
            changes_db[preset.acts_on] = changes_db.get(preset.acts_on, 0.0) + change * preset.span_db
        for acted, share in preset.also.items():
            changes_db[acted] = changes_db.get(acted, 0.0) + share * change * preset.span_db
    changed = _with_gains(specimen, changes_db)
    changed = _with_balance(changed, leak, image)
    return replace(
        changed,
        receiver=replace(
            changed.receiver,
            noise_figure_db=changed.receiver.noise_figure_db + loss_db,
            distortion_percent=bent_percent,
        ),
        transmitter=replace(
            changed.transmitter, frequency_error_ppm=changed.transmitter.frequency_error_ppm + error_ppm
        ),
    )


def _with_gains(specimen: Specimen, changes_db: Mapping[str, float]) -> Specimen:
    """Return it with what goes in decibels changed."""
    powers = 10.0 ** (changes_db.get("power", 0.0) / 10.0)
    swing, depth, bias, audio = (
        10.0 ** (changes_db.get(name, 0.0) / 20.0) for name in ("deviation", "depth", "bias", "audio")
    )
    fm = specimen.transmitter
    am, ssb = specimen.am, specimen.ssb
    if am is not None:
        stage = am.transmitter
        am = replace(
            am,
            transmitter=replace(
                stage,
                carrier_w=stage.carrier_w * powers,
                limit_percent=stage.limit_percent * depth,
                microphone_v=stage.microphone_v / depth,
            ),
        )
    if ssb is not None:
        ssb = replace(ssb, transmitter=replace(ssb.transmitter, pep_w=ssb.transmitter.pep_w * powers))
    opens_dbm = specimen.squelch.opens_dbm + changes_db.get("squelch", 0.0)
    return replace(
        specimen,
        am=am,
        ssb=ssb,
        # The microphone's sensitivity stays: only where the limiter holds moves with the swing.
        transmitter=replace(
            fm,
            power_w=fm.power_w * powers,
            max_deviation_hz=fm.max_deviation_hz * swing,
            transmit_a=fm.transmit_a * bias,
        ),
        receiver=replace(specimen.receiver, audio_v=specimen.receiver.audio_v * audio),
        meter=_moved(specimen.meter, changes_db.get("s_meter", 0.0)),
        squelch=replace(specimen.squelch, opens_dbm=min(opens_dbm, specimen.squelch.tight_dbm - 1.0)),
    )


def _moved(meter: SignalMeter, shown_db: float) -> SignalMeter:
    """Return a meter that shows ``shown_db`` more: it comes to each mark at a level so much lower."""
    marks_dbm = {number: at_dbm - shown_db for number, at_dbm in meter.thresholds_dbm.items()}
    return replace(meter, s9_dbm=meter.s9_dbm - shown_db, thresholds_dbm=marks_dbm)


def _with_balance(specimen: Specimen, leak: float, image: float) -> Specimen:
    """Return it with the carrier and the image that balances so far from their nulls let through, beside what stays at the null."""
    if specimen.ssb is None or leak == image == 0.0:
        return specimen
    stage = specimen.ssb.transmitter
    stage = replace(
        stage,
        carrier_suppression_db=_suppression_db(stage.carrier_suppression_db, leak),
        sideband_suppression_db=_suppression_db(stage.sideband_suppression_db, image),
    )
    return replace(specimen, ssb=replace(specimen.ssb, transmitter=stage))


def _suppression_db(at_null_db: float, off_null: float) -> float:
    """Return what is left of a suppression this share of the balance's travel from its null."""
    return max(0.0, -20.0 * log10(min(1.0, hypot(10.0 ** (-at_null_db / 20.0), off_null))))
