"""One file a link. Each states ``SCHEMES`` and ``open_link(address)``; only these modules import a wire's library."""

import importlib
import pkgutil
from collections.abc import Iterator
from types import ModuleType
from typing import Protocol

from recorder.errors import InputError
from recorder.journal import Arrival

STALL_S = 5.0
"""A node that answers echoes every two seconds and says nothing for so long is lost (common practice, no source)."""


class Link(Protocol):
    """What the session needs of a wire.

    Every method but ``close`` may raise ``LinkError``. ``stall_s`` is the silence [s] after which an open link counts
    as lost; ``rssi_dbm`` the signal strength where there is a radio.
    """

    address: str
    stall_s: float

    @property
    def rssi_dbm(self) -> int | None:
        """Signal strength [dBm]; None on a wire."""
        ...

    @property
    def absent(self) -> str | None:
        """Why the wire cannot be there now, in a sentence; None if it may be."""
        ...

    @property
    def refused(self) -> dict[str, int]:
        """What arrived and was no frame, by reason."""
        ...

    async def open(self) -> None:
        """Open the wire afresh."""
        ...

    async def receive(self) -> list[Arrival]:
        """Wait a moment for frame bodies; an empty list if none came."""
        ...

    async def send(self, body: bytes) -> None:
        """Send a frame body to the node."""
        ...

    async def close(self) -> None:
        """Close the wire; never raises."""
        ...


def link_modules() -> Iterator[ModuleType]:
    """Every link of this folder."""
    for info in sorted(pkgutil.iter_modules(__path__), key=lambda info: info.name):
        yield importlib.import_module(f"{__name__}.{info.name}")


def link_to(address: str) -> Link:
    """Return the link that an address names, not yet open.

    Raises
    ------
    InputError
        If no link knows the address.
    """
    scheme = address.split(":", maxsplit=1)[0] if ":" in address else "serial"
    schemes: list[str] = []
    for module in link_modules():
        schemes.extend(module.SCHEMES)
        if scheme in module.SCHEMES:
            return module.open_link(address)
    raise InputError(f"'{address}': no link is called '{scheme}'. Links: {', '.join(schemes)}.")
