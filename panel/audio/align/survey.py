"""One pass over a take: a sketch of it to align by, and the figures behind its warnings."""

import threading
from weakref import WeakKeyDictionary

from panel.audio.align.sketch import Sketch, Sketching
from panel.audio.intake.faults import Figures
from panel.audio.intake.tally import Tally
from panel.audio.reading.stretches import Recording

_kept: WeakKeyDictionary[Recording, Figures] = WeakKeyDictionary()
_lock = threading.Lock()


def sketched(recording: Recording) -> Sketch:
    """A sketch of the sum of the take's channels. The same pass gets its figures."""
    making = Sketching(recording.rate, difference=False)
    _pass(recording, making)
    return making.finish()


def figures(recording: Recording) -> Figures:
    """What the take's warnings are told from; found once, kept as long as the take is."""
    with _lock:
        found = _kept.get(recording)
    return found if found is not None else _pass(recording, None)


def _pass(recording: Recording, making: Sketching | None) -> Figures:
    with _lock:
        found = _kept.get(recording)
    tally = Tally(recording.rate, recording.channels)
    for block in recording.blocks():
        if making is not None:
            making.add(block)
        if found is None:
            tally.add(block)
    if found is None:
        found = tally.figures()
        with _lock:
            _kept[recording] = found
    return found
