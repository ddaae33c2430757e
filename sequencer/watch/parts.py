"""The parts of pages that live, each worked out of the store: by the reader as it changes, and for a page as it is first shown."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from typing import Any

from sequencer.results.queue.connect import NoQueue
from sequencer.results.queue.seen import read_queue
from sequencer.results.store.problems import StoreProblem
from sequencer.results.store.set_aside import rows_set_aside
from sequencer.results.store.store import Store
from sequencer.watch.asked import Query, WrongAddress
from sequencer.watch.benches import BenchView, bench_views, find_verdict, names_of, of_station, today
from sequencer.watch.reader import Part
from sequencer.watch.signs import Signs
from sequencer.watch.view import render, unread_sentence

MOST_JOBS = 200
MOST_NAMES = 20
"""Names of benches that a wall screen lists where it finds none of its own."""
TOPICS = ("benches", "station", "queue")


def topic_of(raw: bytes) -> str:
    """Return which topic an address of the stream asks for. Raises WrongAddress."""
    query = Query.read(raw, ("topic", "station", "bench"))
    topic = query.needed("topic", "benches")
    if topic not in TOPICS:
        raise WrongAddress(f"There is no topic {topic[:40]!r}.", ", ".join(TOPICS))
    if topic != "station":
        return topic
    station, bench = query.one("station"), query.one("bench")
    if bool(station) == bool(bench):
        raise WrongAddress("The address does not say which station.", "one of station=… and bench=…")
    return f"station\n{station}\n{bench}"


def part_of(topic: str, signs: Signs) -> Part:
    """Return who works a topic out."""
    if topic == "benches":
        return partial(benches_part, signs=signs)
    if topic == "queue":
        return queue_part
    _, station, bench = topic.split("\n")
    return partial(station_part, signs=signs, station=station, bench=bench)


def problem_part(problem: StoreProblem) -> str:
    """Return what stands in place of a part as long as the store cannot be read."""
    return render("problem_part.html", what=problem.what, next_move=problem.next_move)


def views_now(store: Store, signs: Signs) -> list[BenchView]:
    """Return the benches as they are shown now."""
    benches = store.read_benches()
    if store.place.url is None:  # a server writes all signs by its own clock
        benches = signs.aged(benches)
    return bench_views(benches, today(), find_verdict(store))


def benches_part(store: Store, signs: Signs) -> str:
    """Return the benches."""
    with rows_set_aside() as missing:
        views = views_now(store, signs)
    return render(
        "benches_part.html",
        unread=unread_sentence(missing),
        simulated=simulated_in(views),
        worked=[one for one in views if one.is_worked],
        rest=[one for one in views if not one.is_worked],
    )


def station_part(store: Store, signs: Signs, *, station: str, bench: str) -> str:
    """Return what a screen on the wall shows of one station."""
    with rows_set_aside() as missing:
        views = views_now(store, signs)
    found = of_station(views, station=station, bench=bench)
    simulated = simulated_in([found]) if found is not None else ""
    names = names_of(views)
    others = {"names": names[:MOST_NAMES], "more": len(names) - MOST_NAMES}
    return render(
        "station_part.html",
        one=found,
        named=station or bench,
        simulated=simulated,
        unread=unread_sentence(missing),
        **others,
    )


def queue_part(store: Store) -> str:
    """Return what waits for a bench, who has what, and what is over."""
    return render("queue_part.html", **read_jobs(store))


def read_jobs(store: Store) -> dict[str, Any]:
    """Return the queue beside the store; without one, why there is none."""
    if store.place.url is None:
        return {
            "queue": None,
            "why": "This store is a file, and jobs for many benches need one in PostgreSQL that they share.",
        }
    try:
        found = read_queue(store.place, most=MOST_JOBS)
    except NoQueue as problem:
        is_there = "has form" in problem.what
        return {
            "queue": None,
            "why": f"{problem.what[:1].upper()}{problem.what[1:]}. {problem.next_move}"
            if is_there
            else "There is no queue beside this store: 'sequencer jobs set-up' makes one.",
        }
    return {"queue": found, "why": ""}


def simulated_in(views: Sequence[BenchView]) -> str:
    """Return what the strip of a page of benches says; empty where none is simulated."""
    count = sum(one.simulated for one in views)
    if not count:
        return ""
    if count == len(views):
        return "no bench here measures a real unit"
    return f"{count} of these {len(views)} benches measure no real unit, and are marked"
