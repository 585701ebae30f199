"""Opening the page: a port, a browser, and for the network a token as text and as QR code."""

import contextlib
import socket
import sys
import threading
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from recorder.errors import InputError

USUAL_PORT = 8474
PRIVATE_PROBES = ("10.255.255.255", "172.31.255.255", "192.168.255.255", "192.0.2.1")
"""Asking the system which own address it would use towards these sends no packet."""

Say = Callable[[str], None]


@dataclass(frozen=True, slots=True)
class Opening:
    """How the page is opened; ``out`` is the folder of recordings, None the usual one."""

    out: Path | None
    port: int | None = None
    browser: bool = True
    lan: bool = False
    demo: bool = False


def listening(port: int | None, *, lan: bool) -> socket.socket:
    """Return a listening socket: on the port asked for, else the usual one, else a free one.

    Raises
    ------
    InputError
        If the port asked for is taken.
    """
    address = "0.0.0.0" if lan else "127.0.0.1"  # noqa: S104 - only when the technician asks for the network
    for candidate in (port,) if port is not None else (USUAL_PORT, 0):
        bound = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        if sys.platform != "win32":
            bound.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            bound.bind((address, candidate))
            bound.listen(128)
        except OSError:
            bound.close()
            continue
        return bound
    raise InputError(f"port {port} is taken (is the page open already?); choose another with --port, or 0 for any.")


def lan_addresses() -> list[str]:
    """This computer's addresses in its networks."""
    found: list[str] = []
    for probe in PRIVATE_PROBES:
        with contextlib.suppress(OSError), socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asked:
            asked.connect((probe, 9))
            address = str(asked.getsockname()[0])
            if address not in found and not address.startswith("127."):
                found.append(address)
    return found


def open_page(opening: Opening, say: Say) -> None:
    """Serve the page until Ctrl-C; a recording under way goes on without it."""
    bound = listening(opening.port, lan=opening.lan)
    port = int(bound.getsockname()[1])
    from analysis.page.guard import new_token

    token = new_token() if opening.lan else None
    own = f"http://127.0.0.1:{port}/" + (f"?token={token}" if token else "")
    say(f"The page is open at {own}")
    if token:
        _invite(port, token, say)
    say("Ctrl-C closes the page; a recording under way goes on.")
    if opening.browser:
        threading.Timer(0.3, _show, (own,)).start()
    _serve(bound, opening, token)


def _folder(opening: Opening) -> Path:
    from recorder.store import default_folder

    if opening.out is not None:
        return opening.out
    return default_folder().with_name("demo") if opening.demo else default_folder()


def invitations_to(port: int, token: str) -> list[tuple[str, str]]:
    """Under which addresses a phone reaches the page: plain, and with the token in it."""
    plain = [f"http://{address}:{port}/" for address in lan_addresses()]
    return [(address, f"{address}?token={token}") for address in plain]


def _invite(port: int, token: str, say: Say) -> None:
    import segno

    invitations = invitations_to(port, token)
    if not invitations:
        say("This computer is in no network now; join one and open the page again for a phone.")
        return
    for address, whole in invitations:
        say(f"On a phone in the same network: {address} with the token {token}, or scan:")
        qr = segno.make(whole, error="l")
        say(_half_blocks([[bool(module) for module in row] for row in qr.matrix_iter(border=2)]))
    say("The network can read along (no encryption): use your own, not a stranger's.")


def _half_blocks(matrix: list[list[bool]]) -> str:
    """A matrix of dark modules as text, two rows a line, dark where the terminal's paper shows."""
    rows = matrix if len(matrix) % 2 == 0 else [*matrix, [False] * len(matrix[0])]
    blocks = {(False, False): "█", (False, True): "▀", (True, False): "▄", (True, True): " "}
    pairs = zip(rows[::2], rows[1::2], strict=True)
    return "\n".join("".join(blocks[a, b] for a, b in zip(upper, lower, strict=True)) for upper, lower in pairs)


def _show(address: str) -> None:
    import webbrowser

    webbrowser.open(address)


def _serve(bound: socket.socket, opening: Opening, token: str | None) -> None:
    import uvicorn

    from analysis.page.routes import page_app

    config = uvicorn.Config(
        page_app(_folder(opening), token, demo=opening.demo),
        ws="websockets-sansio",
        ws_max_size=1 << 16,
        log_level="warning",
        proxy_headers=False,
        server_header=False,
        timeout_graceful_shutdown=2,
    )
    uvicorn.Server(config).run(sockets=[bound])
