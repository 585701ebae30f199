"""What a reader prefers: units and paper, by option, else by a small file in the user's configuration folder.

The file is ``settings.toml``: ``units = "psi"`` (psi and degF), ``"bar"`` or ``"kPa"`` (both with degC) and ``paper =
"letter"`` or ``"a4"``. A key it does not know is refused by name, so that a slip of the pen does not go unnoticed.
"""

import os
import sys
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from analysis.shown import CHOICES, KPA, Units
from recorder.errors import InputError

SETTINGS_FILE = "settings.toml"
PAPERS = {"a4": "a4", "letter": "us-letter"}
KEYS = ("units", "paper")


@dataclass(frozen=True, slots=True)
class Preferences:
    """Units that people read, and paper by the typesetter's name."""

    units: Units = KPA
    paper: str = "a4"


def configuration_folder() -> Path:
    """The user's configuration folder of Warmspell, as the system has it."""
    home = Path.home()
    if sys.platform == "win32":
        base = Path(os.environ.get("APPDATA", home / "AppData" / "Roaming"))
    elif sys.platform == "darwin":
        base = home / "Library" / "Application Support"
    else:
        base = Path(os.environ.get("XDG_CONFIG_HOME", home / ".config"))
    return base / "warmspell"


def preferences(units: str | None = None, paper: str | None = None) -> Preferences:
    """The reader's choices: an option wins over the file, the file over kPa, degC and A4.

    Raises
    ------
    InputError
        If the file cannot be read or says something that is no choice; the message names file, key and choices.
    """
    told = _file(configuration_folder() / SETTINGS_FILE)
    named = units or told.get("units", KPA.name)
    sheet = paper or told.get("paper", "a4")
    return Preferences(CHOICES[named], PAPERS[sheet])


def _file(path: Path) -> dict[str, str]:
    try:
        values = tomllib.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        return {}
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as reason:
        raise InputError(f"{path}: cannot be read ({reason}). Mend it or delete it.") from None
    return {key: _choice(path, key, value) for key, value in values.items()}


def _choice(path: Path, key: str, value: Any) -> str:
    choices: Mapping[str, object] = CHOICES if key == "units" else PAPERS
    if key not in KEYS:
        raise InputError(f"{path}: has the unknown key '{key}'. It may say: {', '.join(KEYS)}.")
    if not isinstance(value, str) or value not in choices:
        raise InputError(f"{path}: {key} is {value!r}; it must be one of {', '.join(choices)}.")
    return value
