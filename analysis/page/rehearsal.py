"""The demo drive's passenger: says when it blows warm, so that whoever tries the page has something to mark."""

from functools import cache

from analysis.demo import BEFORE, shipped_recordings
from analysis.page.live import LiveRecording
from recorder.errors import InputError

SHOWN_S = 180.0
"""How long a cue stands at the most, in seconds of the drive (six seconds of the watcher's at 30 times)."""
COLD_DEGC = 13.0
"""Vent air under which nobody complains (our own choice, for the invented drive)."""


@cache
def _complaints() -> tuple[str | None, tuple[tuple[float, str], ...]]:
    """Start of the shipped drive, and seconds and words of its complaints."""
    import json

    from recorder.marks import utc_ns_of

    try:
        folder = shipped_recordings() / BEFORE
        about = json.loads((folder / "recording.json").read_text(encoding="utf-8"))
    except (InputError, OSError):
        return None, ()
    started = str(about["started_at"])
    lines = map(json.loads, (folder / "marks.jsonl").read_text(encoding="utf-8").splitlines())
    cues = [((utc_ns_of(m["utc"]) - utc_ns_of(started)) / 1e9, m["text"]) for m in lines if m["kind"] == "complaint"]
    return started, tuple(cues)


def cue_at(live: LiveRecording) -> str | None:
    """What the driver of the invented drive says now; None for any other recording."""
    described = next((node.description for node in live.nodes.values() if node.description), None)
    if described is None or described.started_at is None:
        return None
    started, cues = _complaints()
    if described.started_at != started:
        return None
    said = next((text for at_s, text in cues if at_s <= live.now_s < at_s + SHOWN_S), None)
    vent_degc = live.value("vent")
    if said is None or (vent_degc is not None and vent_degc < COLD_DEGC):
        return None
    return f"{said[:1].upper()}{said[1:]}. Press Complaint."
