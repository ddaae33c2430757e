"""What is sent to open pages: the whole state to who lacks it, the newest to who is slow, an end when the server ends."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator

from sequencer.watch.live import MOST_WAITING, Pages


async def _next(stream: AsyncIterator[bytes]) -> str:
    return (await anext(stream)).decode()


def _number(event: str) -> str:
    return next(line.removeprefix("id: ") for line in event.splitlines() if line.startswith("id: "))


def test_a_page_is_sent_what_it_lacks() -> None:
    """The state at once, then each other state; one that is as before is sent to nobody, and who has it is not sent it again."""

    async def go() -> None:
        asked = []
        pages = Pages(lambda: asked.append(1))
        first = pages.stream("benches", "")
        assert (await _next(first)).startswith("retry:")
        waiting = asyncio.ensure_future(anext(first))
        await asyncio.sleep(0)
        assert asked == [1]
        pages.tell("benches", "<p>one</p>\n<p>two</p>")
        pages.tell("queue", "nobody shows it")
        event = (await waiting).decode()
        assert event.endswith("event: state\ndata: <p>one</p>\ndata: <p>two</p>\n\n")
        pages.tell("benches", "<p>one</p>\n<p>two</p>")
        pages.tell("benches", "<p>three</p>")
        event = await _next(first)
        assert "three" in event
        again = pages.stream("benches", _number(event), keep_alive_s=0.01)
        await _next(again)
        assert (await _next(again)) == ": still here\n\n"  # it has all
        stale = pages.stream("benches", "0badc0de-7")  # of a server before this one
        await _next(stale)
        assert "three" in await _next(stale)
        for one in (first, again, stale):
            await one.aclose()
        assert pages.count == 0
        assert pages.topics == ()

    asyncio.run(go())


def test_a_page_that_takes_nothing_is_sent_the_newest() -> None:
    """Its events are bounded in number: the oldest are dropped, and what comes at last is the state as it is."""

    async def go() -> None:
        pages = Pages()
        slow = pages.stream("benches", "")
        await _next(slow)
        waiting = asyncio.ensure_future(anext(slow))
        await asyncio.sleep(0)
        for number in range(50):
            pages.tell("benches", str(number))
        got = [(await waiting).decode()] + [await _next(slow) for _ in range(MOST_WAITING - 1)]
        assert [event.split("data: ")[1].strip() for event in got] == ["46", "47", "48", "49"]
        await slow.aclose()

    asyncio.run(go())


def test_the_end_of_the_server_ends_every_stream() -> None:
    """Also of a page that takes nothing; no page comes in afterwards."""

    async def go() -> None:
        pages = Pages()
        streams = [pages.stream("benches", "") for _ in range(3)]
        for one in streams:
            await _next(one)
        waiting = [asyncio.ensure_future(anext(one, b"over")) for one in streams]
        await asyncio.sleep(0)
        pages.close()
        assert [await one for one in waiting] == [b"over"] * 3
        assert pages.is_full

    asyncio.run(go())
