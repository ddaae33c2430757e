"""Count the answers that were almost surely not those of the unit, by all that came before and after them."""

from __future__ import annotations

from collections.abc import Sequence

from sequencer.search.switching_grid import LAPSE, SWITCHED_OFF, FineGrid, Trial, chance_on

SURE_OF_LAPSE = 0.9


def count_lapses(fine: FineGrid, trials: Sequence[Trial]) -> int:
    """Return how many answers were almost surely not those of the state: forward and backward through the tests, at the levels believed."""
    rising_db, falling_db = (fine.belief(rising=rising).level_db for rising in (True, False))
    jitter_db, dropped = fine.jitter_mean_db(), max(fine.dropped_mean(), LAPSE)
    steps = []
    for trial in trials:
        up, stays = (
            float(chance_on(trial.level_db, level_db, jitter_db)) for level_db in (rising_db, falling_db)
        )
        if trial.gone:
            up, stays = (share * (1 - SWITCHED_OFF) for share in (up, stays))
        shown = {None: (1.0, 1.0), True: (1 - dropped, LAPSE), False: (dropped, 1 - LAPSE)}[trial.on]
        steps.append((up, stays, *shown))
    on = off = 0.5
    before = []
    for up, stays, if_on, if_off in steps:
        now_on = (off * up + on * stays) * if_on
        now_off = (off * (1 - up) + on * (1 - stays)) * if_off
        on, off = now_on / (now_on + now_off), now_off / (now_on + now_off)
        before.append((on, off))
    later_on = later_off = 1.0
    lapses = 0
    for trial, (on, off), (up, stays, if_on, if_off) in zip(
        reversed(trials), reversed(before), reversed(steps), strict=True
    ):
        is_on = on * later_on / (on * later_on + off * later_off)
        lapses += trial.on is not None and (1 - is_on if trial.on else is_on) > SURE_OF_LAPSE
        from_on = stays * if_on * later_on + (1 - stays) * if_off * later_off
        from_off = up * if_on * later_on + (1 - up) * if_off * later_off
        later_on, later_off = from_on / (from_on + from_off), from_off / (from_on + from_off)
    return lapses
