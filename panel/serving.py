"""Runs the web application under uvicorn on a socket that is bound before anything is said."""

from __future__ import annotations

import socket as sockets
from contextlib import suppress

from panel.errors import Conflict
from panel.settings import Settings


def listening_socket(host: str, port: int, *, or_another: bool = False) -> sockets.socket:
    """A listening socket; on another, free port where `or_another` and the wanted one is taken.

    Raises Conflict with a sentence when the address cannot be had.
    """
    family = sockets.AF_INET6 if ":" in host else sockets.AF_INET
    for wanted in (port, 0) if or_another else (port,):
        socket = sockets.socket(family, sockets.SOCK_STREAM)
        socket.setsockopt(sockets.SOL_SOCKET, sockets.SO_REUSEADDR, 1)
        try:
            socket.bind((host, wanted))
            # From here on whoever follows a link waits for the server instead of being refused.
            socket.listen(128)
        except OSError as error:
            socket.close()
            reason = (error.strerror or str(error)).lower()
        else:
            return socket
    raise Conflict(
        f"The server cannot listen on {host}, port {port}: {reason}.",
        hint="Stop what holds it, or choose another with --port.",
    )


def run(
    settings: Settings,
    socket: sockets.socket,
    *,
    trusted_proxies: str = "127.0.0.1",
    quiet: bool = False,
) -> None:
    """Serve until stopped. One process: the limits and the watch page's streams live in it."""
    import uvicorn

    from panel.app import create_app

    try:
        app = create_app(settings)
    except BaseException:
        socket.close()
        raise
    config = uvicorn.Config(
        app,
        proxy_headers=True,
        forwarded_allow_ips=trusted_proxies,
        # Neither addresses of listeners nor their links belong in a log.
        access_log=False,
        server_header=False,
        log_level="warning" if quiet else "info",
        timeout_graceful_shutdown=5,
    )
    with suppress(KeyboardInterrupt):  # Ctrl-C is how it is meant to end
        uvicorn.Server(config).run(sockets=[socket])
