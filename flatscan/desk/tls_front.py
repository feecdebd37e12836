"""TLS in front of a server of this machine that has none: connections are decrypted here and handed on as they are."""

from __future__ import annotations

import asyncio
import contextlib
import socket
import ssl
import threading

_CHUNK = 65536
# who connects and says nothing keeps nobody else waiting, and is let go [s]
_HANDSHAKE, _GOODBYE = 10.0, 3.0


class Front:
    """A thread that listens on a socket with TLS, until it is closed."""

    def __init__(self, listening: socket.socket, context: ssl.SSLContext, port: int) -> None:
        self._listening, self._context, self._port = listening, context, port
        self._loop = asyncio.new_event_loop()
        self._open = set[asyncio.Task[None]]()
        self._ready = threading.Event()
        self._stop = asyncio.Event()
        self._thread = threading.Thread(target=self._run, name="flatscan-tls", daemon=True)
        self._thread.start()
        self._ready.wait()

    def close(self) -> None:
        """Take no more connections and let go of those there are."""
        self._loop.call_soon_threadsafe(self._stop.set)
        self._thread.join(_HANDSHAKE)

    def _run(self) -> None:
        try:
            self._loop.run_until_complete(self._serve())
        finally:
            self._ready.set()
            self._loop.close()

    async def _serve(self) -> None:
        server = await asyncio.start_server(
            self._hand_on,
            sock=self._listening,
            ssl=self._context,
            ssl_handshake_timeout=_HANDSHAKE,
            ssl_shutdown_timeout=_GOODBYE,
        )
        # what a browser does that does not trust the certificate yet is no error of ours
        self._loop.set_exception_handler(lambda _loop, _context: None)
        self._ready.set()
        await self._stop.wait()
        server.close()
        for task in self._open:
            task.cancel()
        await asyncio.gather(*self._open, return_exceptions=True)

    async def _hand_on(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        self._open.add(task)
        try:
            inner_reader, inner_writer = await asyncio.open_connection("127.0.0.1", self._port)
            try:
                await asyncio.gather(_copy(reader, inner_writer), _copy(inner_reader, writer))
            finally:
                inner_writer.close()
        except (OSError, asyncio.CancelledError):
            # the one or the other end is gone
            pass
        finally:
            self._open.discard(task)
            writer.close()


async def _copy(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    """Bytes from one end to the other as fast as that takes them; the end of the one is the end of the other."""
    with contextlib.suppress(OSError):
        while data := await reader.read(_CHUNK):
            writer.write(data)
            await writer.drain()
    with contextlib.suppress(OSError):
        writer.close()
