"""Start the desk: a socket on loopback, a key made for this start, the server."""

from __future__ import annotations

import secrets
import socket
import webbrowser
from collections.abc import Callable
from pathlib import Path

import uvicorn

from overlay.desk.app import Desk, application
from overlay.errors import InputError, OutputError

HOST = "127.0.0.1"
USUAL_PORT = 7043  # drafts that a browser keeps are found again under the same one
SHUT_S = 1


def serve(
    folder: Path,
    *,
    port: int | None = None,
    is_opened: bool = True,
    say: Callable[[str], None],
) -> None:
    """Serve the desk of a folder until Ctrl-C.

    Parameters
    ----------
    folder : Path
    port : int, optional
        The usual one, or any that is free, when None.
    is_opened : bool
        Whether to open the address in the browser.
    say : callable
        Told the address, which holds the key; it is in no log.

    Raises
    ------
    InputError
        If there is no such folder.
    OutputError
        If the port is taken.
    """
    if not folder.is_dir():
        raise InputError(f"{folder}: no such folder; name the one with the day's clips and logs")
    listener = _listener(port)
    port = listener.getsockname()[1]
    token = secrets.token_urlsafe(32)
    desk = Desk(folder)
    address = f"http://{HOST}:{port}/?token={token}"
    say(f"the desk of {desk.folder} is at {address}")
    say("it answers this machine only; Ctrl-C ends it")
    server = uvicorn.Server(
        uvicorn.Config(
            application(desk, token=token, port=port),
            log_level="warning",
            access_log=False,  # it would hold the key
            server_header=False,
            timeout_graceful_shutdown=SHUT_S,
            ws="none",
        )
    )
    if is_opened:
        webbrowser.open(address)
    try:
        server.run(sockets=[listener])
    except KeyboardInterrupt:
        pass  # the way to end it
    finally:
        desk.queue.close()


def _listener(port: int | None) -> socket.socket:
    """A socket on the port; on a free one where none is named and the usual one is taken."""
    for wanted in (USUAL_PORT, 0) if port is None else (port,):
        found = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        found.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            found.bind((HOST, wanted))
            found.listen()  # so that the browser waits for the server and is not turned away
            return found
        except OSError as error:
            found.close()
            if wanted == port:
                raise OutputError(f"port {port}: {error.strerror}; name another") from error
    raise OutputError("no port is free on this machine; close some programs")
