"""That the released unit was seen to transmit nothing since it was keyed or fed last: the word of a relay proves nothing.

A push-to-talk line may be welded closed, shorted, or pulled by the unit itself, and reads open all the same. Such a unit is on the air
from when it is fed, and on the generator as soon as the switch moves. So it is fed on the load where the bench can do so by itself, and
looked at by the power meter before the switch moves away.
"""

from __future__ import annotations

from collections.abc import Callable

from drivers.clock import Clock
from drivers.faults import InstrumentFault, NotConfirmed, SettingLost
from drivers.roles import PowerMeter, Radio, Switch
from sequencer.safety.control.key import Key
from sequencer.safety.control.supply import SupplyLine
from sequencer.safety.ending.cut_off import CutOff
from sequencer.safety.proofs.release import Release

LATE_S, LOOK_S = 6.0, 0.4
"""How long a unit is looked at that was pressed and not seen, and how often: a relay may close seconds late. Common practice, no source."""


class SeenSilent:
    """What is known of the silence of the released unit.

    ``key`` says how often it was keyed, and whether that was seen; ``release`` makes a look by the power meter alone.
    """

    def __init__(
        self,
        cut_off: CutOff,
        line: SupplyLine,
        *,
        meter: Callable[[], PowerMeter | None],
        radio: Callable[[], Radio | None],
        clock: Clock,
        key: Callable[[], Key | None],
        release: Callable[[PowerMeter], Release],
    ) -> None:
        self._cut_off = cut_off
        self._line = line
        self._meter = meter
        self._radio = radio
        self._clock = clock
        self._key = key
        self._release = release
        self._seen: tuple[int, int] | None = None
        self._waited: tuple[int, int] | None = None

    def confirm(self, release: Release) -> None:
        """See by ``release`` that the carrier has gone. NotConfirmed where it stays: then the supply was cut."""
        if (radio := self._radio()) is None:
            return
        self._cut_off.unless_silent(release, radio)
        if release.was_silent:
            self._seen = self._now()

    def before_move(self, switch: Switch) -> None:
        """See on the power meter, before the switch moves, that a unit that was keyed or fed since it was seen silent transmits nothing.

        NotConfirmed where it does: then its supply was cut; a unit that does so twice is fed no more. From another place than `transmit` no
        meter sees it. A unit of which nothing was seen when PTT was pressed last may be keyed late: it is looked at for `LATE_S`.
        """
        meter, key, now = self._looks(), self._key(), self._now()
        may_be_late = key is not None and key.is_unseen and self._waited != now
        if meter is None or (self._seen == now and not may_be_late) or switch.read_path() != "transmit":
            return
        until_s = self._clock.now_s() + (LATE_S if may_be_late else 0.0)
        try:
            self.confirm(self._release(meter))
        except NotConfirmed:
            if self._cut_off.stands_still and (now[0] == 0 or self._line.was_read_dead):
                raise self._made_again(meter) from None
            raise
        while self._seen == now and self._clock.now_s() < until_s:
            self._clock.wait_s(LOOK_S)
            self.confirm(self._release(meter))
        self._waited = now

    def needs_load(self, switch: Switch | None) -> bool:
        """Say whether the unit goes on the load first: where it is fed next, or was not seen silent, and all that takes goes by itself."""
        if switch is None or switch.manual or self._looks() is None:
            return False
        return self._line.feeds_next or self._seen != self._now()

    def tell_from_meter(self, shown: NotConfirmed) -> InstrumentFault:
        """Cut the supply of a unit that seems to transmit with PTT never pressed; return what it was.

        ``shown`` is what the meter's own fault would be. Of a meter that shows the same of a unit that is fed no more, or has lost its
        settings, it is SettingLost: the check is made anew.
        """
        if (meter := self._looks()) is None:
            return shown
        release = self._release(meter)
        try:
            self.confirm(release)
        except NotConfirmed as fault:
            return self._made_again(meter) if self._cut_off.stands_still else fault
        release.refuse_if_restarted()
        return shown

    def _made_again(self, meter: PowerMeter) -> SettingLost:
        """Have the unit fed again, and return why the check under way is made anew: of a meter that stands still."""
        self._cut_off.is_cut = False
        return SettingLost(
            "it shows a carrier with PTT released, and the same with the unit's supply cut: it does not respond, and is not looked at "
            "for the unit's silence any more",
            instrument=meter.name,
            address=meter.address,
            next_move="Check whether its display moves, and what else is connected to it.",
        )

    def _looks(self) -> PowerMeter | None:
        meter = self._meter()
        return None if meter is None or meter.manual or self._cut_off.stands_still else meter

    def _now(self) -> tuple[int, int]:
        key = self._key()
        return key.presses if key is not None else 0, self._line.feedings
