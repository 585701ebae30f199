"""What the files of a recording's folder are called; apart from what reads them, so that listing many loads little."""

RECORDING_FILE = "recording.json"
OPENING_FILE = "opening.json"
STOP_FILE = "stop"
PHOTOS_FOLDER = "photos"
CALIBRATIONS_FILE = "calibrations.json"
"""Beside the recordings, not in one."""
LIFELESS_S = 15.0
"""A recorder whose ``opening.json`` has not beaten for longer is not running any more."""
