"""How a part of the document shows itself in Python and in a notebook; the words are put in at the edge.

The document knows no reader. ``analysis.notebook`` registers a short text and an HTML for its parts, in the reader's
units; as long as nobody imported that, a part shows all its fields, as any dataclass does.
"""

from dataclasses import fields
from functools import singledispatch
from typing import Any, cast


@singledispatch
def as_text(part: object) -> str:
    """What ``repr`` says of a part: all its fields, unless the edge registered something shorter for its type."""
    told = (f"{field.name}={getattr(part, field.name)!r}" for field in fields(cast("Any", part)))
    return f"{type(part).__name__}({', '.join(told)})"


@singledispatch
def as_html(_part: object) -> str | None:
    """What a notebook shows of a part: None, so that it shows the text, unless the edge registered an HTML."""
    return None


class Glimpsed:
    """A dataclass that shows itself by ``as_text`` and ``as_html``; declare it with ``repr=False``."""

    __slots__ = ()

    def __repr__(self) -> str:
        return as_text(self)

    def _repr_html_(self) -> str | None:
        return as_html(self)
