"""The units of whoever sits before the notebook, as their settings.toml has them."""

from analysis.preferences import preferences
from analysis.shown import KPA, Units
from recorder.errors import InputError


def units() -> Units:
    """The reader's units; kPa and degC where the settings cannot be read, which opening a recording has told."""
    try:
        return preferences().units
    except InputError:
        return KPA
