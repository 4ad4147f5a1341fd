"""A TCP relay on the loopback that can fall silent: a network that goes and comes back.

It stands at the other loopback address under the server's own port, so that the server knows its
name. Silent it neither carries on nor closes anything, as a cable that was pulled does.
"""

import asyncio
import threading
from types import TracebackType

__all__ = ["Relay"]


class Relay:
    """Carries bytes from [::1] to 127.0.0.1, on a thread of its own."""

    def __init__(self, port: int) -> None:
        self._port = port
        self._loop = asyncio.new_event_loop()
        self._begun = threading.Event()
        self._carries = asyncio.Event()
        self._carries.set()
        self._done = asyncio.Event()
        self._thread = threading.Thread(target=self._run, name="relay", daemon=True)

    def __enter__(self) -> "Relay":
        self._thread.start()
        assert self._begun.wait(60)
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        fault: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._loop.call_soon_threadsafe(self._done.set)
        self._thread.join(10)

    def pull(self) -> None:
        """Pull the cable."""
        self._loop.call_soon_threadsafe(self._carries.clear)

    def plug(self) -> None:
        """Put it back in."""
        self._loop.call_soon_threadsafe(self._carries.set)

    def _run(self) -> None:
        with asyncio.Runner(loop_factory=lambda: self._loop) as runner:
            runner.run(self._serve())

    async def _serve(self) -> None:
        ends: set[asyncio.Task[None]] = set()

        async def accepted(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
            task = asyncio.current_task()
            assert task is not None
            ends.add(task)
            await self._carries.wait()
            try:
                there, back = await asyncio.open_connection("127.0.0.1", self._port)
            except OSError:
                writer.close()
                return
            await asyncio.gather(self._carry(reader, back), self._carry(there, writer))

        server = await asyncio.start_server(accepted, "::1", self._port)
        self._begun.set()
        await self._done.wait()
        server.close()
        for task in ends:
            task.cancel()
        await asyncio.gather(*ends, return_exceptions=True)

    async def _carry(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            while data := await reader.read(65536):
                await self._carries.wait()
                writer.write(data)
                await writer.drain()
        except OSError:
            pass
        finally:
            writer.close()
