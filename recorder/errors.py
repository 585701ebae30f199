"""What can be wrong with what people and wires hand in."""


class InputError(Exception):
    """The input is at fault: the message says what is wrong, where, and what to do (exit status 1)."""


class FrameError(Exception):
    """Bytes from a wire that are not a frame; they are counted, never guessed at."""


class LinkError(Exception):
    """A link that could not be opened or was lost; the session opens it again."""


class StoreError(InputError):
    """The disk takes no more; what arrived before is kept."""
