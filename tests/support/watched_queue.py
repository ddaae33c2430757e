"""A queue in a server with jobs in every state and benches that are there, silent or want something, for those who look at its page."""

from __future__ import annotations

from sequencer.results.queue import statements
from sequencer.results.queue.claim import claim_job, refuse
from sequencer.results.queue.jobs import NewJob, add_jobs, cancel_job, carrier_of
from sequencer.results.queue.set_up import set_up
from sequencer.results.store.place import StorePlace

NEEDS = (
    "path:transmit",
    "role:modulation_analyser",
    "role:power_meter",
    "role:radio",
    "role:signal_generator",
)
HOSTILE = "M40-0099<img src=x onerror=alert(1)>"
QUARRY = "Quarry bench in the upper yard, beside the crusher, with a name that somebody typed"


def filled_queue(place: StorePlace) -> None:
    """Make it, in a store that has none."""
    found, _ = set_up(place)
    serials = ("M40-0007", "M40-0011", "M40-0012", HOSTILE, "M40-0014", "M40-0015")
    jobs = add_jobs(
        found,
        [
            NewJob(
                serial=one,
                sequence="fm-mobile-acceptance",
                sequence_hash="0",
                needs=NEEDS,
                model="M40",
                priority=at % 3,
            )
            for at, one in enumerate(serials)
        ],
    )
    with found.connect(autocommit=True) as connection:
        for bench in ("North", "South", QUARRY):
            words = {"bench": bench, "host": "north", "can": list(NEEDS), "lease_s": 120.0, "zone": "UTC"}
            connection.execute(statements.REGISTER, words | dict.fromkeys(("own_check", "own_check_at")))
        words = {"bench": QUARRY, "lacks": "its own check of today failed: transmit path, 27.205 MHz"}
        connection.execute(statements.SEEN, words)
        connection.execute("update bench set seen = now() - interval '1 hour' where bench = 'South'")
        for job, bench in ((jobs[0], "North"), (jobs[1], "South"), (jobs[3], QUARRY)):
            claim = claim_job(
                connection, job, bench=bench, host="north", lease_s=120.0, carriers=[carrier_of(NEEDS)]
            )
            assert claim is not None
            if bench == QUARRY:
                refuse(
                    connection, claim, bench=bench, why="4 W are beyond the rating of its transmit path, 2 W"
                )
        connection.execute("update job set lease = now() - interval '1 min' where id = %s", [jobs[1]])
        connection.execute(
            "update job set state = 'failed', ended = now(), tries = 5, said = 'its worker was lost 5 times' where id = %s",
            [jobs[5]],
        )
    cancel_job(found, jobs[4])
