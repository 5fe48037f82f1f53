"""Starts Firefox and stands between it and Playwright, which asks for more than it can do.

    python firefox_relay.py FIREFOX ARGUMENTS...

Playwright drives a stock Firefox by WebDriver BiDi. It tells each new window which colours the
device asks for, by a command that the Firefox of long support does not know yet, and gives up over
the refusal. Here such a refusal becomes a "done"; everything else goes through as it is, so a newer
Firefox obeys. What the device asks for is set by Firefox's own preferences in the meantime.
"""

from __future__ import annotations

import asyncio
import json
import re
import sys

from websockets.asyncio.client import connect
from websockets.asyncio.server import ServerConnection, serve

MAY_BE_UNKNOWN = "emulation.setMediaFeaturesOverride"
_LISTENS = re.compile(rb"WebDriver BiDi listening on (ws://\S+)")
_PLAIN = {"max_size": None, "compression": None, "ping_interval": None}


async def run_firefox(command: list[str]) -> int:
    """Firefox's exit code. What it says on stderr goes on, but for where it listens: here."""
    firefox = await asyncio.create_subprocess_exec(*command, stderr=asyncio.subprocess.PIPE)
    async for line in firefox.stderr:
        if found := _LISTENS.search(line):
            break
        sys.stderr.buffer.write(line)
        sys.stderr.buffer.flush()
    else:
        return await firefox.wait()
    there = found[1].decode()

    async def relay(near: ServerConnection) -> None:
        lenient: set[int] = set()
        far_end = connect(there + near.request.path, **_PLAIN)
        async with far_end as far, asyncio.TaskGroup() as both:
            both.create_task(_ask(near, far, lenient))
            both.create_task(_answer(far, near, lenient))

    async with serve(relay, "127.0.0.1", 0, **_PLAIN) as server:
        port = server.sockets[0].getsockname()[1]
        print(f"WebDriver BiDi listening on ws://127.0.0.1:{port}", file=sys.stderr, flush=True)
        async for _ in firefox.stderr:
            pass
        return await firefox.wait()


async def _ask(near, far, lenient: set[int]) -> None:
    async for message in near:
        asked = json.loads(message)
        if asked["method"] == MAY_BE_UNKNOWN:
            lenient.add(asked["id"])
        await far.send(message)
    await far.close()


async def _answer(far, near, lenient: set[int]) -> None:
    async for message in far:
        said = json.loads(message) if lenient else {}
        if said.get("id") in lenient:
            lenient.remove(said["id"])
            if said.get("error") == "unknown command":
                done = {"type": "success", "id": said["id"], "result": {}}
                await near.send(json.dumps(done))
                continue
        await near.send(message)
    await near.close()


if __name__ == "__main__":
    sys.exit(asyncio.run(run_firefox(sys.argv[1:])))
