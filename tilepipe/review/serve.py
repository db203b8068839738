"""Starts the review page's server: on the own machine only, under an address that nobody can guess."""

from __future__ import annotations

import socket
from collections.abc import Callable
from pathlib import Path

from tilepipe.errors import DeviceError, PlanError
from tilepipe.run.recipe_run import Settings

LOOPBACK = "127.0.0.1"
WARNING = (
    "This page now listens on {address}: whoever reaches this machine there and has the address below sees your pictures "
    "and can change and run this recipe. The connection is not encrypted."
)


def serve(
    file: Path, settings: Settings, say: Callable[[str], None], port: int = 0, listen: str | None = None,
    opened: Callable[[str], object] | None = None,
) -> None:
    """Serves the page until interrupted; `opened` is called with its address. `port` 0 takes a free one.

    Raises DeviceError where the libraries of the extra `review` are missing, RecipeError for the recipe's faults.
    """
    try:
        import uvicorn

        from tilepipe.review.guard import Guard
        from tilepipe.review.review import Review
        from tilepipe.review.routes import Routes
    except ImportError as cause:
        raise DeviceError(
            "the review page needs libraries that are not installed", found=str(cause),
            next_step="install them: `pip install 'tilepipe[review]'`",
        ) from cause
    address = listen or LOOPBACK
    place = _bound(address, port)
    number = place.getsockname()[1]
    review = Review(file, settings)
    names = (LOOPBACK, "localhost") if listen is None else (address, LOOPBACK, "localhost")
    guard = Guard(Routes(review).app(), frozenset(f"{name}:{number}" for name in names))
    url = f"http://{address}:{number}/{guard.token}/"
    if listen is not None:
        say(WARNING.format(address=listen))
    say(f"review       {url}")
    say("             Ctrl-C ends it; what is not saved is kept")
    if opened is not None:
        opened(url)
    server = uvicorn.Server(uvicorn.Config(
        guard, log_level="critical", lifespan="off", access_log=False, server_header=False, timeout_graceful_shutdown=2,
    ))
    try:
        server.run(sockets=[place])
    finally:
        review.close()


def _bound(address: str, port: int) -> socket.socket:
    place = socket.socket(socket.AF_INET6 if ":" in address else socket.AF_INET, socket.SOCK_STREAM)
    place.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        place.bind((address, port))
    except OSError as error:
        raise PlanError(
            "this address cannot be listened on", f"{address}:{port}", found=(error.strerror or str(error)).lower(),
            next_step="name another --port, or leave it out",
        ) from error
    place.listen(64)
    return place
