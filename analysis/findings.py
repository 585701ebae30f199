"""The findings document."""
from dataclasses import dataclass
@dataclass(frozen=True, slots=True)
class Run:
    """An interval in which the compressor pumps."""
    start_s: float
    end_s: float
